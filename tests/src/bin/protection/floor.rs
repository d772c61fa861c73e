//! Where the shortest dwell that is ever proposed comes from: the silences of all recordings.

use anyhow::{Result, ensure};
use idlegate_guard::time::Span;
use idlegate_recordings::calibrate::{FLOOR, HORIZON, JobWorth, Take, calibrate};

use super::meters::{Meter, marks};

pub(crate) struct Floors {
    /// Each meter's longest pause inside a job, below the horizon.
    longest: Vec<(String, Span)>,
    of_all: Span,
    /// For each meter, what the others give.
    pub(crate) without: Vec<Span>,
}

pub(crate) fn derive(meters: &[Meter]) -> Floors {
    let longest: Vec<(String, Span)> =
        meters.iter().map(|meter| (meter.name.clone(), longest_pause(meter))).collect();
    let without = (0..longest.len()).map(|left_out| {
        let others = longest.iter().enumerate().filter(|(index, _)| *index != left_out);
        floor(others.map(|(_, (_, longest))| *longest).collect())
    });
    let of_all = floor(longest.iter().map(|(_, longest)| *longest).collect());
    Floors { without: without.collect(), of_all, longest }
}

fn longest_pause(meter: &Meter) -> Span {
    let takes: Vec<Take> = meter.days.iter().map(|day| day.take.clone()).collect();
    let proposal = calibrate(&takes, &marks(&meter.days), JobWorth::default());
    let silences = proposal.map(|proposal| proposal.evidence.silences).unwrap_or_default();
    silences.lengths().filter(|length| *length < HORIZON).max().unwrap_or_default()
}

/// What half of the meters never outlast in a pause, in whole minutes.
fn floor(mut longest: Vec<Span>) -> Span {
    longest.sort_unstable();
    let median = longest.get(longest.len() / 2).copied().unwrap_or_default();
    Span(median.0.div_ceil(60_000).max(1) * 60_000)
}

impl Floors {
    pub(crate) fn words(&self) -> String {
        let longest: Vec<String> =
            self.longest.iter().map(|(meter, longest)| format!("{meter} {longest}")).collect();
        let without: Vec<String> = self.without.iter().map(ToString::to_string).collect();
        format!(
            "longest pause inside a job: {}\nfloor: {}, which half of the meters never outlast; without each meter in turn: {}",
            longest.join(", "),
            self.of_all,
            without.join(", ")
        )
    }

    pub(crate) fn check(&self) -> Result<()> {
        ensure!(
            self.of_all == FLOOR,
            "the recordings give a floor of {}, the program has {FLOOR}",
            self.of_all
        );
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_floor_is_the_median_in_whole_minutes() {
        let secs = |secs: [u64; 3]| floor(secs.map(Span::secs).to_vec());
        assert_eq!(secs([0, 113, 871]), Span::secs(120));
        assert_eq!(secs([0, 60, 871]), Span::secs(60));
        assert_eq!(secs([0, 0, 0]), Span::secs(60));
    }
}
