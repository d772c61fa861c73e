//! How a detector that misbehaved is treated: pure, so that the policy can be read and tested as a table.
//!
//! The time is that of the readings, never a clock: the same recording gives the same strikes.

use super::limits::{BACK_OFF, GOOD_ANSWERS_TO_FORGIVE, MEMORY_WAIT, STRIKES_MAX};
use idlegate_guard::time::{Moment, Span};

/// What a detector's conduct so far entitles it to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Strikes {
    strikes: u32,
    good_answers: u32,
    answered_at: Option<Moment>,
    retry_at: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Permission {
    Run,
    Wait(Span),
    Quarantined,
}

/// What follows from a strike.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Consequence {
    /// Rebuilt from what it had been shown.
    RebuildFromHistory {
        after: Span,
    },
    /// Rebuilt from nothing: what it was shown may be what it cannot stomach.
    RebuildFromNothing {
        after: Span,
    },
    Quarantine,
}

impl Strikes {
    pub(super) fn permission(&self, now: Moment) -> Permission {
        if self.strikes >= STRIKES_MAX {
            return Permission::Quarantined;
        }
        match self.retry_at.since(now) {
            Span::ZERO => Permission::Run,
            wait => Permission::Wait(wait),
        }
    }

    pub(super) fn strike(&mut self, now: Moment) -> Consequence {
        self.strikes = self.strikes.saturating_add(1);
        self.good_answers = 0;
        match self.strikes {
            0 | 1 => {
                self.retry_at = now + BACK_OFF[0];
                Consequence::RebuildFromHistory { after: BACK_OFF[0] }
            }
            2 => {
                self.retry_at = now + BACK_OFF[1];
                Consequence::RebuildFromNothing { after: BACK_OFF[1] }
            }
            STRIKES_MAX.. => Consequence::Quarantine,
        }
    }

    /// There was no memory left for it. That others have taken it is held against nobody; but it is not proven, either.
    pub(super) fn wait_for_memory(&mut self, now: Moment) -> Span {
        self.good_answers = 0;
        self.retry_at = now + MEMORY_WAIT;
        MEMORY_WAIT
    }

    /// Several at one moment are one: whether a busy computer asked once or twice there is chance.
    pub(super) fn good_answer(&mut self, now: Moment) {
        if self.answered_at.replace(now) == Some(now) {
            return;
        }
        self.good_answers = self.good_answers.saturating_add(1);
        if self.good_answers >= GOOD_ANSWERS_TO_FORGIVE && self.strikes < STRIKES_MAX {
            self.strikes = 0;
        }
    }

    /// It has answered well, and nothing is held against it.
    pub(super) fn is_proven(&self) -> bool {
        self.strikes == 0 && self.good_answers > 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A history in letters: `x` a strike, `.` a good answer, each a minute after the one before.
    fn strikes_after(history: &str) -> (Strikes, Moment) {
        let mut strikes = Strikes::default();
        let mut now = Moment(1_000);
        for letter in history.chars() {
            now = now + Span::secs(60);
            match letter {
                'x' => drop(strikes.strike(now)),
                '.' => strikes.good_answer(now),
                other => panic!("no such letter: {other}"),
            }
        }
        (strikes, now)
    }

    #[test]
    fn permission_follows_conduct() {
        let forgiven = ".".repeat(GOOD_ANSWERS_TO_FORGIVE as usize);
        for (history, permission, proven) in [
            ("", Permission::Run, false),
            (".", Permission::Run, true),
            ("x", Permission::Wait(BACK_OFF[0]), false),
            ("x.", Permission::Run, false),
            ("xx", Permission::Wait(BACK_OFF[1]), false),
            ("xxx", Permission::Quarantined, false),
            ("x.x.x", Permission::Quarantined, false),
            (&format!("xx{forgiven}"), Permission::Run, true),
            (&format!("xx{forgiven}x"), Permission::Wait(BACK_OFF[0]), false),
            (&format!("xxx{forgiven}"), Permission::Quarantined, false),
        ] {
            let (strikes, now) = strikes_after(history);
            assert_eq!(strikes.permission(now), permission, "after {history:?}");
            assert_eq!(strikes.is_proven(), proven, "after {history:?}");
        }
    }

    /// Whether two feeds of one moment meet in one call, or are two, is a matter of threads.
    #[test]
    fn answers_of_one_moment_count_once() {
        let (mut once, now) = strikes_after("xx...");
        let mut again = once.clone();
        (0..GOOD_ANSWERS_TO_FORGIVE).for_each(|_| again.good_answer(now));
        assert_eq!(again, once);
        once.good_answer(now + Span(1));
        assert_ne!(again, once);
    }

    #[test]
    fn the_wait_is_over_at_its_end_and_not_before() {
        let (strikes, struck_at) = strikes_after("x");
        let end = struck_at + BACK_OFF[0];
        assert_eq!(strikes.permission(end - Span(1)), Permission::Wait(Span(1)));
        assert_eq!(strikes.permission(end), Permission::Run);
    }

    #[test]
    fn to_find_no_memory_is_no_strike_but_makes_wait() {
        let mut strikes = Strikes::default();
        for _ in 0..10 {
            assert_eq!(strikes.wait_for_memory(Moment(0)), MEMORY_WAIT);
        }
        assert_eq!(strikes.permission(Moment(0)), Permission::Wait(MEMORY_WAIT));
        assert_eq!(strikes.permission(Moment(0) + MEMORY_WAIT), Permission::Run);
        assert!(!strikes.is_proven());
    }

    #[test]
    fn each_strike_weighs_more_than_the_one_before() {
        let mut strikes = Strikes::default();
        assert_eq!(strikes.strike(Moment(0)), Consequence::RebuildFromHistory { after: BACK_OFF[0] });
        assert_eq!(strikes.strike(Moment(0)), Consequence::RebuildFromNothing { after: BACK_OFF[1] });
        assert_eq!(strikes.strike(Moment(0)), Consequence::Quarantine);
        assert_eq!(strikes.strike(Moment(0)), Consequence::Quarantine);
    }
}
