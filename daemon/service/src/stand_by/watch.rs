//! When to take over. No clocks and no connections: it is told what is heard, and says what to do.
//!
//! Whoever guards says "guarding" again and again; its last will says "gone". A silence may also be a broker that was
//! restarted together with the guard, whose last word it still has in store.

use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Name;

/// Whoever guards is heard every five seconds.
pub(super) const SILENCE_MAX: Span = Span::secs(15);
/// After "gone", so that several do not reach for it at once.
const HOLD_OFF_MIN: Span = Span(100);
const HOLD_OFF_SPREAD: u64 = 300;
/// Between saying that one takes over and doing it: time to hear that somebody else does.
const CLAIM: Span = Span(150);
/// Somebody else takes over: time for it to be there.
const YIELD: Span = Span::secs(5);
/// Whoever has just lost its connection leaves it to the others first.
const AFTER_A_LOSS: Span = Span::secs(1);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Say on our topic that we take over.
    Claim,
    /// Say that we stand by after all: somebody else is there.
    StandBack,
    TakeOver,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// Somebody guards, or we cannot know.
    Watching,
    HoldingOff {
        until: Moment,
    },
    Claiming {
        until: Moment,
    },
}

#[derive(Debug)]
pub(super) struct Watch {
    name: Name,
    connected: bool,
    /// When whoever guards was heard last.
    heard: Option<Moment>,
    stage: Stage,
    not_before: Moment,
    /// What the broker had in store says that somebody else took over.
    taken: bool,
    /// Our claim stands on our topic.
    claims: bool,
}

impl Watch {
    pub(super) fn new(name: Name) -> Watch {
        Watch {
            name,
            connected: false,
            heard: None,
            stage: Stage::Watching,
            not_before: Moment(0),
            taken: false,
            claims: false,
        }
    }

    /// The connection is there, and what the broker had in store has been heard.
    pub(super) fn connected(&mut self, now: Moment, chance: u64) {
        self.connected = true;
        match self.heard {
            // In store, and perhaps old: it has the usual time to be confirmed.
            Some(_) => self.heard = Some(now),
            None if self.taken => self.stage = Stage::HoldingOff { until: now + YIELD },
            None => self.hold_off(now, chance),
        }
    }

    pub(super) fn is_connected(&self) -> bool {
        self.connected
    }

    pub(super) fn disconnected(&mut self) {
        self.connected = false;
        self.taken = false;
        self.heard = None;
        self.stage = Stage::Watching;
        // Once connected again, we say that we stand by.
        self.claims = false;
    }

    pub(super) fn guarding(&mut self, now: Moment) {
        self.heard = Some(now);
        self.stage = Stage::Watching;
    }

    pub(super) fn gone(&mut self, now: Moment, chance: u64) {
        self.heard = None;
        if self.connected && self.stage == Stage::Watching {
            self.hold_off(now, chance);
        }
    }

    /// Somebody says that it takes over. Of two that say so at the same time the first by name does.
    pub(super) fn claimed(&mut self, now: Moment, by: &Name) {
        let ours_goes_first = matches!(self.stage, Stage::Claiming { .. }) && self.name < *by;
        if self.connected && *by != self.name && self.heard.is_none() && !ours_goes_first {
            self.stage = Stage::HoldingOff { until: now + YIELD };
        }
    }

    /// Somebody has taken over, and will be heard as soon as it is ready.
    pub(super) fn taken(&mut self, now: Moment, by: &Name) {
        if *by == self.name || self.heard.is_some() {
            return;
        }
        if self.connected {
            self.stage = Stage::HoldingOff { until: now + YIELD };
        } else {
            self.taken = true;
        }
    }

    /// We guarded, and the connection is lost.
    pub(super) fn lost(&mut self, now: Moment) {
        self.not_before = now + AFTER_A_LOSS;
        self.stage = match self.stage {
            Stage::Watching => Stage::Watching,
            Stage::HoldingOff { until } | Stage::Claiming { until } => {
                Stage::HoldingOff { until: until.max(self.not_before) }
            }
        };
    }

    pub(super) fn tick(&mut self, now: Moment) -> Option<Step> {
        if !self.connected {
            return None;
        }
        if self.claims && !matches!(self.stage, Stage::Claiming { .. }) {
            self.claims = false;
            return Some(Step::StandBack);
        }
        match self.stage {
            Stage::Watching => {
                if self.heard.is_some_and(|heard| now.since(heard) >= SILENCE_MAX) {
                    self.heard = None;
                    self.stage = Stage::HoldingOff { until: now };
                }
                None
            }
            Stage::HoldingOff { until } if now >= until => {
                self.stage = Stage::Claiming { until: now + CLAIM };
                self.claims = true;
                Some(Step::Claim)
            }
            Stage::Claiming { until } if now >= until => {
                self.stage = Stage::HoldingOff { until: now + YIELD };
                self.claims = false;
                Some(Step::TakeOver)
            }
            Stage::HoldingOff { .. } | Stage::Claiming { .. } => None,
        }
    }

    /// When to tick, if nothing is heard before.
    pub(super) fn deadline(&self) -> Option<Moment> {
        if !self.connected {
            return None;
        }
        match self.stage {
            Stage::Watching => self.heard.map(|heard| heard + SILENCE_MAX),
            Stage::HoldingOff { until } | Stage::Claiming { until } => Some(until),
        }
    }

    fn hold_off(&mut self, now: Moment, chance: u64) {
        let until = now + HOLD_OFF_MIN + Span(chance % HOLD_OFF_SPREAD);
        self.stage = Stage::HoldingOff { until: until.max(self.not_before) };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watch(name: &str) -> Watch {
        Watch::new(Name::new(name).unwrap())
    }

    /// Ticks it until it does something, and says what and when.
    fn next(watch: &mut Watch) -> Option<(Step, Moment)> {
        for _ in 0..10 {
            let at = watch.deadline()?;
            if let Some(step) = watch.tick(at) {
                return Some((step, at));
            }
        }
        None
    }

    #[test]
    fn with_nobody_there_it_takes_over() {
        let mut left = watch("left");
        assert_eq!(left.deadline(), None, "without a connection it waits for nothing");
        left.connected(Moment(1_000), 50);
        assert_eq!(next(&mut left), Some((Step::Claim, Moment(1_150))));
        assert_eq!(next(&mut left), Some((Step::TakeOver, Moment(1_300))));
    }

    #[test]
    fn while_somebody_guards_it_stands_by() {
        let mut left = watch("left");
        left.guarding(Moment(0));
        left.connected(Moment(1_000), 50);
        for second in 1..1_000 {
            left.guarding(Moment(second * 5_000));
            assert_eq!(left.tick(Moment(second * 5_000 + 4_999)), None);
        }
    }

    #[test]
    fn a_word_in_store_that_nobody_repeats_is_no_guard() {
        let mut left = watch("left");
        left.guarding(Moment(900));
        left.connected(Moment(1_000), 0);
        assert_eq!(left.tick(Moment(15_999)), None);
        assert_eq!(next(&mut left).unwrap().0, Step::Claim);
    }

    #[test]
    fn an_offline_that_is_followed_by_an_online_changes_nothing() {
        let mut left = watch("left");
        left.guarding(Moment(0));
        left.connected(Moment(0), 0);
        left.gone(Moment(5_000), 299);
        left.guarding(Moment(5_050));
        assert_eq!(left.tick(Moment(6_000)), None);
    }

    #[test]
    fn of_two_at_the_same_time_the_first_by_name_takes_over() {
        let (mut left, mut right) = (watch("left"), watch("right"));
        for side in [&mut left, &mut right] {
            side.connected(Moment(0), 0);
            assert_eq!(side.tick(Moment(100)), Some(Step::Claim));
        }
        for side in [&mut left, &mut right] {
            side.claimed(Moment(110), &Name::new("left").unwrap());
            side.claimed(Moment(110), &Name::new("right").unwrap());
        }
        assert_eq!(left.tick(Moment(250)), Some(Step::TakeOver));
        assert_eq!(right.tick(Moment(250)), Some(Step::StandBack), "its claim does not stand for ever");
        assert_eq!(right.tick(Moment(250)), None);
        left.guarding(Moment(300));
        right.guarding(Moment(300));
        assert_eq!(right.tick(Moment(6_000)), None);
    }

    #[test]
    fn whoever_starts_while_another_takes_over_leaves_it_to_that_one() {
        let mut right = watch("right");
        right.taken(Moment(0), &Name::new("left").unwrap());
        right.connected(Moment(10), 0);
        assert_eq!(right.tick(Moment(5_000)), None);
        right.guarding(Moment(5_005));
        assert_eq!(right.tick(Moment(6_000)), None);

        let mut first_by_name = watch("left");
        first_by_name.connected(Moment(0), 0);
        assert_eq!(next(&mut first_by_name).unwrap().0, Step::Claim);
        first_by_name.taken(Moment(110), &Name::new("right").unwrap());
        assert_eq!(first_by_name.tick(Moment(110)), Some(Step::StandBack));
        assert_eq!(next(&mut first_by_name), Some((Step::Claim, Moment(5_110))));
    }

    #[test]
    fn what_it_said_itself_in_an_earlier_life_holds_nobody_off() {
        let mut left = watch("left");
        left.taken(Moment(0), &Name::new("left").unwrap());
        left.connected(Moment(0), 0);
        assert_eq!(next(&mut left), Some((Step::Claim, Moment(100))));
    }

    #[test]
    fn if_the_one_that_said_so_never_comes_the_other_does() {
        let mut right = watch("right");
        right.connected(Moment(0), 0);
        right.claimed(Moment(50), &Name::new("left").unwrap());
        assert_eq!(next(&mut right), Some((Step::Claim, Moment(5_050))));
    }

    #[test]
    fn a_take_over_that_fails_is_tried_again_later() {
        let mut left = watch("left");
        left.connected(Moment(0), 0);
        assert_eq!(next(&mut left).unwrap().0, Step::Claim);
        assert_eq!(next(&mut left), Some((Step::TakeOver, Moment(250))));
        assert_eq!(next(&mut left), Some((Step::Claim, Moment(5_250))));
    }

    #[test]
    fn whoever_lost_its_connection_leaves_it_to_the_others_first() {
        let mut left = watch("left");
        left.guarding(Moment(0));
        left.connected(Moment(0), 0);
        left.lost(Moment(2_000));
        left.gone(Moment(2_001), 0);
        assert_eq!(next(&mut left), Some((Step::Claim, Moment(3_000))));
    }
}
