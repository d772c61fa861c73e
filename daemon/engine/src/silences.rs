//! What the silences of a machine teach. Pure: what the detectors say goes in, lessons come out.
//!
//! A silence begins when a working machine falls quiet. Either it goes back to work before its detectors call it idle,
//! which is a pause; or they do, and then it lasts or it does not. A machine that goes back to work within a quarter of
//! an hour after it counted as idle could have been switched off in the middle of a job. The safe direction needs
//! nobody's consent: from then on it is held longer than its detectors ask for, by what would have outlasted that
//! silence, until somebody has looked. A pause and the time between two short jobs look alike, so only a person can
//! take it back. Emergency and force never wait for it.

pub(super) mod counted;

use std::sync::Arc;

use super::effect::{Silence, SilenceEnd};
use counted::Counted;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::Verdict;
use idlegate_plan::kept::HeldLonger;
use idlegate_plan::text::{hex, minute_in_words};
use idlegate_plan::{Machine, Role};
use sha2::{Digest as _, Sha256};

/// Whoever goes back to work later than this has begun another job.
const BACK_WITHIN: Span = Span::secs(900);
/// A shorter one is the beat of a heater, and no pause.
const PAUSE_MIN: Span = Span::secs(5);
/// It came near to counting as idle when less than this part of its dwell was left.
const NEAR_PART: u64 = 10;
/// What is added to the silence that was too long for the dwell: a quarter of it, a minute at least.
const MARGIN_PART: u64 = 4;
const MINUTE: Span = Span::secs(60);

/// What the detectors that hold the machine say together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sight {
    Working,
    /// Nothing works, and it counts as idle after this time.
    Quiet {
        left: Span,
    },
    Idle,
    Unknown,
    /// Its outlet is off.
    Off,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Silences {
    stage: Stage,
    pauses: u32,
    pause_longest: Span,
    /// Since when its detectors have said idle without a break.
    idle_since: Option<Moment>,
    longer: Option<HeldLonger>,
    counted: Counted,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Stage {
    /// It has not worked since it came in sight.
    #[default]
    Unseen,
    Working,
    Quiet {
        since: Moment,
        dwell: Span,
        left: Span,
    },
    Idle {
        since: Moment,
        dwell: Span,
    },
    /// Idle, and told so.
    Over,
}

impl Silences {
    /// What a former run, or whoever guarded before, had learned.
    pub(super) fn recall(&mut self, kept: Option<&HeldLonger>, machine: &Machine) {
        self.longer = longest(self.longer.take(), kept.cloned());
        self.follow(machine);
    }

    /// What a former run had counted.
    pub(super) fn recall_counted(&mut self, before: &Counted, machine: &Machine) {
        if before.settings == fingerprint(machine) {
            self.counted.add(before);
        }
    }

    /// Somebody has looked: the detectors' settings are others than those it was learned under, or the rules say so.
    /// Says whether that ended anything.
    pub(super) fn follow(&mut self, machine: &Machine) -> bool {
        let stands = |longer: &HeldLonger| {
            machine.learning.hold_longer
                && machine.learning.seen_until.is_none_or(|seen| longer.since > seen)
                && longer.settings == fingerprint(machine)
        };
        let before = self.longer.is_some();
        self.longer = self.longer.take().filter(stands);
        if self.counted.settings != fingerprint(machine) {
            self.counted = Counted::default();
        }
        before && self.longer.is_none()
    }

    pub(super) fn longer(&self) -> Option<&HeldLonger> {
        self.longer.as_ref()
    }

    /// How much longer the machine is held, though its detectors say idle.
    pub(super) fn holds(&self, now: Moment) -> Option<Span> {
        let (longer, since) = self.longer.as_ref().zip(self.idle_since)?;
        Some(Span(longer.by.0.saturating_sub(now.since(since).0))).filter(|left| *left > Span::ZERO)
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        let (longer, since) = self.longer.as_ref().zip(self.idle_since)?;
        Some(since + longer.by)
    }

    pub(super) fn reason(&self, now: Moment) -> Option<Arc<str>> {
        let (longer, since) = self.longer.as_ref().zip(self.idle_since)?;
        Some(
            format!(
                "idle for {}, but it is held until that is {}: on {} it went back to work {} after it counted as idle",
                now.since(since),
                longer.by,
                minute_in_words(longer.since),
                longer.idle_for
            )
            .into(),
        )
    }

    /// How silences as long as this one went on, for a machine that counts as idle after work.
    pub(super) fn counted_reason(&self) -> Option<Arc<str>> {
        match self.stage {
            Stage::Idle { dwell, .. } if dwell >= self.counted.dwell => self.counted.reason(),
            Stage::Idle { .. } | Stage::Over | Stage::Unseen | Stage::Working | Stage::Quiet { .. } => None,
        }
    }

    /// Takes in what is seen now; a silence that is over comes back.
    pub(super) fn see(&mut self, now: Now, sight: Sight, machine: &Machine) -> Option<Silence> {
        self.idle_since = (sight == Sight::Idle).then(|| self.idle_since.unwrap_or(now.moment));
        match (self.stage, sight) {
            (Stage::Idle { dwell, .. }, Sight::Off) => Some(self.over(Stage::Unseen, dwell)),
            (_, Sight::Off | Sight::Unknown) => {
                let (longer, counted) = (self.longer.take(), std::mem::take(&mut self.counted));
                *self = Silences { longer, counted, ..Silences::default() };
                None
            }
            (Stage::Quiet { since, dwell, left }, Sight::Working) => self.paused(now, since, dwell, left),
            (Stage::Idle { since, dwell }, Sight::Working | Sight::Quiet { .. }) => {
                Some(self.back_to_work(now, since, dwell, machine))
            }
            (_, Sight::Working) | (Stage::Over, Sight::Quiet { .. }) => {
                self.stage = Stage::Working;
                None
            }
            (Stage::Working, Sight::Quiet { left }) => {
                self.stage = Stage::Quiet { since: now.moment, dwell: left, left };
                None
            }
            (Stage::Quiet { since, dwell, left: before }, Sight::Quiet { left }) => {
                // A dwell that began anew within the quiet is the one that counts.
                let dwell = dwell.max(left);
                self.stage = Stage::Quiet { since, dwell, left: before.min(left) };
                None
            }
            (Stage::Quiet { dwell, .. }, Sight::Idle) => {
                self.stage = Stage::Idle { since: now.moment, dwell };
                None
            }
            (Stage::Working, Sight::Idle) => {
                self.stage = Stage::Idle { since: now.moment, dwell: Span::ZERO };
                None
            }
            (Stage::Idle { since, dwell }, Sight::Idle) => {
                (now.moment.since(since) >= BACK_WITHIN).then(|| {
                    self.counted.finished(fingerprint(machine), dwell);
                    self.over(Stage::Over, dwell)
                })
            }
            (Stage::Unseen | Stage::Over, Sight::Idle) | (Stage::Unseen, Sight::Quiet { .. }) => None,
        }
    }

    fn over(&mut self, stage: Stage, dwell: Span) -> Silence {
        self.stage = stage;
        self.told(SilenceEnd::Lasted, dwell)
    }

    fn paused(&mut self, now: Now, since: Moment, dwell: Span, left: Span) -> Option<Silence> {
        self.stage = Stage::Working;
        let quiet_for = now.moment.since(since);
        if quiet_for < PAUSE_MIN {
            return None;
        }
        self.counted.went_on(quiet_for);
        self.pauses = self.pauses.saturating_add(1);
        self.pause_longest = self.pause_longest.max(quiet_for);
        let near = left.0.saturating_mul(NEAR_PART) <= dwell.0;
        near.then(|| self.told(SilenceEnd::Nearly { quiet_for }, dwell))
    }

    fn back_to_work(&mut self, now: Now, since: Moment, dwell: Span, machine: &Machine) -> Silence {
        self.stage = Stage::Working;
        let idle_for = now.moment.since(since);
        self.counted.begin(fingerprint(machine), dwell);
        self.counted.went_on(dwell + idle_for);
        if machine.learning.hold_longer {
            let learned = held_longer(idle_for, now.wall, fingerprint(machine));
            self.longer = longest(self.longer.take(), Some(learned));
        }
        self.told(SilenceEnd::BackToWork { idle_for }, dwell)
    }

    /// With the pauses since the last one that was told.
    fn told(&mut self, end: SilenceEnd, dwell: Span) -> Silence {
        let pauses = std::mem::take(&mut self.pauses);
        let pause_longest = std::mem::take(&mut self.pause_longest);
        Silence { end, dwell, pauses, pause_longest, counted: self.counted.clone() }
    }
}

/// What follows from a machine that went back to work then, so long after it counted as idle under these settings.
pub fn held_longer(idle_for: Span, since: WallTime, settings: String) -> HeldLonger {
    HeldLonger { by: outlasting(idle_for), idle_for, since, settings }
}

/// What would have outlasted this, in whole minutes.
fn outlasting(idle_for: Span) -> Span {
    let margin = Span(idle_for.0 / MARGIN_PART).max(MINUTE);
    Span((idle_for + margin).0.div_ceil(MINUTE.0) * MINUTE.0)
}

/// Of two that were learned the one that holds longer: the safe one.
fn longest(one: Option<HeldLonger>, other: Option<HeldLonger>) -> Option<HeldLonger> {
    [one, other].into_iter().flatten().max_by_key(|longer| (longer.by, longer.since))
}

/// Tells a machine's settings from others, in few letters: a change is all there is to notice.
pub fn fingerprint(machine: &Machine) -> String {
    let holding = machine.detectors.iter().filter(|uses| uses.role == Role::Hold);
    let text: String = holding.map(|uses| format!("{} {}\n", uses.name, uses.settings)).collect();
    hex(&Sha256::digest(text)).split_off(48)
}

/// What several detectors say of one machine: their verdicts, with the time after which a busy one counts as idle, if
/// it goes on as now.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Together(Option<Sight>);

impl Together {
    pub(super) fn and(&mut self, verdict: Verdict, left: Option<Span>) {
        let sight = self.0.unwrap_or(Sight::Idle);
        self.0 = Some(match (sight, verdict, left) {
            (Sight::Unknown, _, _) | (_, Verdict::Unknown, _) => Sight::Unknown,
            (Sight::Working, _, _) | (_, Verdict::Busy, None) => Sight::Working,
            (Sight::Quiet { left: before }, Verdict::Busy, Some(left)) => {
                Sight::Quiet { left: left.max(before) }
            }
            (_, Verdict::Busy, Some(left)) => Sight::Quiet { left },
            (sight, Verdict::Idle, _) => sight,
        });
    }

    /// Where no detector says anything, nobody knows.
    pub(super) fn sight(self) -> Sight {
        self.0.unwrap_or(Sight::Unknown)
    }
}

#[cfg(test)]
mod tests;
