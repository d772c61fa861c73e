//! Does one guard hit more jobs than another, job by job? The exact test of McNemar (Psychometrika 12, 1947): of the
//! jobs that only one of the two hits, each is as likely the one's as the other's, if they are equally good.

/// Below this chance the difference is no accident.
pub(crate) const LEVEL: f64 = 0.05;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Paired {
    pub(crate) only_ours: u32,
    pub(crate) only_theirs: u32,
}

impl Paired {
    pub(crate) fn of(ours: impl Iterator<Item = bool>, theirs: impl Iterator<Item = bool>) -> Paired {
        let mut paired = Paired { only_ours: 0, only_theirs: 0 };
        for (ours, theirs) in ours.zip(theirs) {
            paired.only_ours += u32::from(ours && !theirs);
            paired.only_theirs += u32::from(theirs && !ours);
        }
        paired
    }

    /// The chance that at least so many of them are ours, if both are equally good.
    pub(crate) fn chance(self) -> f64 {
        let all = self.only_ours + self.only_theirs;
        (self.only_ours..=all).map(|ours| choose(all, ours)).sum::<f64>() / 2f64.powf(f64::from(all))
    }

    pub(crate) fn ours_hits_more(self) -> bool {
        self.chance() < LEVEL
    }
}

fn choose(all: u32, some: u32) -> f64 {
    (0..some).map(|it| f64::from(all - it) / f64::from(it + 1)).product()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By SciPy 1.17.1: `scipy.stats.binomtest(ours, all, alternative="greater").pvalue`.
    #[test]
    fn the_chance_is_that_of_the_exact_binomial_test() {
        for (only_ours, only_theirs, expected) in
            [(8, 1, 0.01953125), (3, 2, 0.5), (0, 5, 1.0), (13, 8, 0.19165515899658203)]
        {
            let paired = Paired { only_ours, only_theirs };
            assert!((paired.chance() - expected).abs() < 1e-12, "{paired:?}: {}", paired.chance());
        }
        assert!((Paired { only_ours: 0, only_theirs: 0 }.chance() - 1.0).abs() < 1e-12);
    }
}
