//! Time as plain data: a moment on the monotonic scale, a span between two, and the wall clock beside them.
//!
//! Every decision rests on [`Moment`]; [`WallTime`] is carried for the journal and for schedules only, so a
//! stepped clock can never open, close or prolong anything.

use core::fmt;
use core::ops::{Add, Sub};
use core::time::Duration;

/// A moment in milliseconds on a monotonic scale that goes on counting while the computer is suspended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment(pub u64);

/// A length of time in milliseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span(pub u64);

/// Wall-clock time in milliseconds since 1970-01-01T00:00:00Z.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct WallTime(pub i64);

/// One look at both clocks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Now {
    pub moment: Moment,
    pub wall: WallTime,
}

impl WallTime {
    /// Seconds since 1970, as SenML counts them.
    #[expect(clippy::cast_precision_loss, reason = "exact to a millisecond for 285,000 years")]
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 / 1_000.0
    }
}

impl Moment {
    /// The time from `earlier` until `self`; nothing when `earlier` is in fact later.
    pub fn since(self, earlier: Moment) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Span {
    pub const ZERO: Span = Span(0);
    /// Longer than any machine will run: stands for "never".
    pub const MAX: Span = Span(u64::MAX);

    pub const fn secs(secs: u64) -> Span {
        Span(secs.saturating_mul(1000))
    }

    pub const fn millis(self) -> u64 {
        self.0
    }
}

// Saturating, so that a moment near the end of the scale stays late instead of becoming early.
impl Add<Span> for Moment {
    type Output = Moment;
    fn add(self, span: Span) -> Moment {
        Moment(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for Moment {
    type Output = Moment;
    fn sub(self, span: Span) -> Moment {
        Moment(self.0.saturating_sub(span.0))
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl From<Duration> for Span {
    fn from(duration: Duration) -> Span {
        Span(u64::try_from(duration.as_millis()).unwrap_or(u64::MAX))
    }
}

impl Span {
    /// For people and for messages; nothing is decided by it.
    pub fn as_secs_f64(self) -> f64 {
        Duration::from(self).as_secs_f64()
    }
}

impl From<Span> for Duration {
    fn from(span: Span) -> Duration {
        Duration::from_millis(span.0)
    }
}

/// As a person says it: "850 ms", "10 s", "1 min 10 s", "2 h 5 min", "3 d 4 h".
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const UNITS: [(u64, &str); 4] = [(86_400, "d"), (3_600, "h"), (60, "min"), (1, "s")];
        if self.0 < 1_000 {
            return write!(f, "{} ms", self.0);
        }
        let secs = self.0 / 1_000;
        let largest = UNITS.iter().position(|(size, _)| secs >= *size).unwrap_or(UNITS.len() - 1);
        let (size, unit) = UNITS[largest];
        write!(f, "{} {unit}", secs / size)?;
        // The next smaller unit is as fine as anyone wants to hear it.
        if let Some((next_size, next_unit)) = UNITS.get(largest + 1) {
            let rest = secs % size / next_size;
            if rest > 0 {
                write!(f, " {rest} {next_unit}")?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_read_as_a_person_says_them() {
        for (millis, words) in [
            (0, "0 ms"),
            (850, "850 ms"),
            (10_000, "10 s"),
            (70_999, "1 min 10 s"),
            (180_000, "3 min"),
            (7_500_000, "2 h 5 min"),
            (273_600_000, "3 d 4 h"),
        ] {
            assert_eq!(Span(millis).to_string(), words);
        }
    }

    #[test]
    fn moments_saturate_at_both_ends_of_the_scale() {
        assert_eq!(Moment(u64::MAX) + Span(1), Moment(u64::MAX));
        assert_eq!(Moment(5) - Span(9), Moment(0));
        assert_eq!(Moment(5).since(Moment(9)), Span::ZERO);
    }
}
