//! Chance that repeats itself: the same seed gives the same workshop, day for day.
//!
//! Not for secrets. A counter run through a mixing function (splitmix64) is all that noise on a meter needs.

use idlegate_guard::time::Span;

#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Chance {
        Chance(seed)
    }

    /// A source of its own for one part, so that a change to one machine leaves its neighbours as they were.
    pub fn branch(&mut self) -> Chance {
        Chance(self.number())
    }

    /// Any number there is.
    pub fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// From 0 up to, not including, 1.
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit a double exactly")]
    fn unit(&mut self) -> f64 {
        (self.number() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Both ends included.
    pub fn span(&mut self, shortest: Span, longest: Span) -> Span {
        let width = longest.0.saturating_sub(shortest.0).saturating_add(1);
        Span(shortest.0 + self.number() % width)
    }

    pub fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_chance_and_another_seed_another() {
        let draw = |seed| {
            let mut chance = Chance::new(seed);
            (0..20).map(|_| chance.number()).collect::<Vec<_>>()
        };
        assert_eq!(draw(7), draw(7));
        assert_ne!(draw(7), draw(8));
    }

    #[test]
    fn numbers_stay_within_their_bounds_and_reach_both_halves() {
        let mut chance = Chance::new(1);
        let numbers: Vec<f64> = (0..1000).map(|_| chance.between(-2.0, 2.0)).collect();
        assert!(numbers.iter().all(|number| (-2.0..2.0).contains(number)));
        let above = numbers.iter().filter(|number| **number > 0.0).count();
        assert!((400..600).contains(&above), "{above} of 1000 above the middle");
        let spans = (0..1000).map(|_| chance.span(Span(3), Span(5)).0);
        assert_eq!(spans.collect::<std::collections::BTreeSet<_>>(), [3, 4, 5].into());
    }
}
