//! When a value was measured, as far as its own payload says.

use idlegate_guard::time::{Moment, Now, Span, WallTime};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamp {
    /// The payload does not say, or says "now".
    Arrival,
    /// That long before the message was sent.
    Ago(Span),
    /// By the sender's clock.
    Wall(WallTime),
}

impl Stamp {
    /// The moment of the measurement, for a message that came in at `arrived`, when the clocks stood at `now`.
    ///
    /// Never later than the arrival: a sender whose clock is ahead is not fresher for it. A sender whose clock is
    /// behind seems older than it is, which costs freshness and nothing else; the same goes for a wall clock of ours
    /// that is stepped forward.
    pub fn moment(self, arrived: Moment, now: Now) -> Moment {
        match self {
            Stamp::Arrival => arrived,
            Stamp::Ago(age) => arrived - age,
            Stamp::Wall(measured) => {
                let age = now.wall.0.saturating_sub(measured.0);
                arrived.min(now.moment - Span(u64::try_from(age).unwrap_or(0)))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sender's clock may be ahead, behind, or beyond all reason.
    #[test]
    fn a_stamp_can_make_a_reading_older_and_never_fresher() {
        let now = Now { moment: Moment(100_000), wall: WallTime(1_764_000_000_000) };
        let arrived = Moment(99_000);
        for (stamp, moment) in [
            (Stamp::Arrival, 99_000),
            (Stamp::Ago(Span::secs(5)), 94_000),
            (Stamp::Ago(Span::MAX), 0),
            (Stamp::Wall(WallTime(1_764_000_000_000 - 60_000)), 40_000),
            // Measured half a second ago by its clock, but it had been on the way for a second.
            (Stamp::Wall(WallTime(1_764_000_000_000 - 500)), 99_000),
            (Stamp::Wall(WallTime(1_764_000_000_000 + 86_400_000)), 99_000),
            (Stamp::Wall(WallTime(i64::MAX)), 99_000),
            (Stamp::Wall(WallTime(i64::MIN)), 0),
        ] {
            assert_eq!(stamp.moment(arrived, now), Moment(moment), "{stamp:?}");
        }
    }
}
