//! When to try again, and whether somebody else is fighting us for the client id. Pure.
//!
//! Two clients with one id throw each other out without end, 1,300 times a second if both come back at once, and
//! some brokers give no reason. So a connection counts as good only after it has lasted; short ones make the
//! waiting longer, and several in a row are given their likely name.

use idlegate_guard::time::Span;

/// A connection that ends sooner counts as short.
const LASTING: Span = Span::secs(10);
/// So many short ones in a row are no accident.
const SHORT_IN_A_ROW: u32 = 3;

/// Whether a connection of this length says that the broker is there to stay.
pub(super) fn lasts(lasted: Span) -> bool {
    lasted >= LASTING
}

/// How long to wait between attempts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BackOffLimits {
    pub first: Span,
    pub longest: Span,
}

impl Default for BackOffLimits {
    fn default() -> BackOffLimits {
        BackOffLimits { first: Span(500), longest: Span::secs(30) }
    }
}

#[derive(Debug)]
pub(super) struct BackOff {
    limits: BackOffLimits,
    /// Failures since the last connection that lasted.
    failures: u32,
    short_in_a_row: u32,
}

impl BackOff {
    pub(super) fn new(limits: BackOffLimits) -> BackOff {
        BackOff { limits, failures: 0, short_in_a_row: 0 }
    }

    /// An attempt or a connection has ended; `lasted` from when it was proved, if it ever was. `chance` is any
    /// number, evenly spread. How long to wait now.
    pub(super) fn ended(&mut self, lasted: Option<Span>, chance: u64) -> Span {
        match lasted {
            Some(lasted) if lasts(lasted) => {
                self.failures = 0;
                self.short_in_a_row = 0;
            }
            Some(_) => self.short_in_a_row += 1,
            // Could not connect at all: nobody threw us out.
            None => self.short_in_a_row = 0,
        }
        let doubled = self.limits.first.0.saturating_mul(1 << self.failures.min(20));
        self.failures = self.failures.saturating_add(1);
        let most = if self.is_fight() { self.limits.longest.0 } else { doubled.min(self.limits.longest.0) };
        // Between half and all of it, so that many clients of a restarted broker do not come back at once.
        Span(most / 2 + chance % (most / 2 + 1))
    }

    /// Several connections in a row were ended soon after they had been proved.
    pub(super) fn is_fight(&self) -> bool {
        self.short_in_a_row >= SHORT_IN_A_ROW
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest_and_start_over_after_a_lasting_connection() {
        let mut back_off = BackOff::new(BackOffLimits { first: Span(500), longest: Span(4_000) });
        let longest_of_each: Vec<u64> = (0..5).map(|_| back_off.ended(None, 0).0 * 2).collect();
        assert_eq!(longest_of_each, [500, 1_000, 2_000, 4_000, 4_000]);
        assert_eq!(back_off.ended(Some(Span::secs(10)), 0), Span(250));
    }

    #[test]
    fn chance_spreads_the_wait_between_half_and_all() {
        for chance in [0, 1, 249, 250, 251, u64::MAX] {
            let wait = BackOff::new(BackOffLimits::default()).ended(None, chance);
            assert!((250..=500).contains(&wait.0), "{wait:?}");
        }
    }

    #[test]
    fn short_connections_in_a_row_are_a_fight_and_wait_longest() {
        let mut back_off = BackOff::new(BackOffLimits::default());
        for _ in 0..2 {
            back_off.ended(Some(Span(40)), 0);
            assert!(!back_off.is_fight());
        }
        assert_eq!(back_off.ended(Some(Span(40)), 0), Span(15_000));
        assert!(back_off.is_fight());
        back_off.ended(Some(Span::secs(60)), 0);
        assert!(!back_off.is_fight());
    }

    #[test]
    fn a_broker_that_cannot_be_reached_is_not_a_fight() {
        let mut back_off = BackOff::new(BackOffLimits::default());
        for _ in 0..10 {
            back_off.ended(None, 7);
        }
        assert!(!back_off.is_fight());
    }
}
