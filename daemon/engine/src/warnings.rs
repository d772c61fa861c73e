//! What people are warned of: what a detector says that holds nothing and cuts nothing, and that a machine has gone off
//! which another one needs for its work.
//!
//! Nothing here reaches the guard. A warning begins once, and is over once; a detector that changes its mind from one
//! moment to the next is not read out each time.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::effect::{Effect, Warned, Warning};
use super::interlocks::State;
use super::machine::MachineState;
use super::subject::Subject;
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::{Name, Verdict};
use idlegate_plan::{Role, Watch, WatchWhile};

/// A machine warns no more often than this, however many detectors it has for it; what lasts longer is told then.
const GAP: Span = Span::secs(60);

/// Of one machine.
#[derive(Debug, Default)]
pub(super) struct Warnings {
    /// Detectors that say busy while they are listened to; no more than the machine has.
    detectors: BTreeMap<Name, Lasting>,
    told_at: Option<Moment>,
    /// Machines that are off and needed; no more than it needs.
    needed: BTreeMap<Name, Lasting>,
    needed_told_at: Option<Moment>,
    /// When to look again, if nothing happens before.
    due: Option<Moment>,
}

#[derive(Debug)]
struct Lasting {
    since: Moment,
    /// As it was told, if it was.
    told: Option<Warning>,
}

/// What one detector that warns has to say now.
enum Seen {
    Warns(Arc<str>),
    /// It says idle, or nobody wants to hear it as the machine is now.
    Fine,
    /// Nobody can tell. No warning begins by that, and none is over.
    Blind,
}

impl Warnings {
    pub(super) fn deadline(&self) -> Option<Moment> {
        self.due
    }

    /// The words of those that are open.
    pub(super) fn open(&self) -> impl Iterator<Item = &'static str> {
        let is_open = |of: &BTreeMap<Name, Lasting>| of.values().any(|lasting| lasting.told.is_some());
        let warning = is_open(&self.detectors).then_some(Subject::Warning.word());
        warning.into_iter().chain(is_open(&self.needed).then_some(Subject::NeededMachineOff.word()))
    }
}

/// Takes in what warns now and tells of what is new. What is left out is as it was.
struct Round<'a> {
    now: Moment,
    known: &'a mut BTreeMap<Name, Lasting>,
    told_at: &'a mut Option<Moment>,
    due: &'a mut Option<Moment>,
    news: &'a mut Vec<(Warning, bool)>,
}

impl Round<'_> {
    fn warns(&mut self, name: &Name, lasting: Span, what: impl FnOnce() -> Warning) {
        let known = self.known.entry(name.clone()).or_insert(Lasting { since: self.now, told: None });
        if known.told.is_some() {
            return;
        }
        let at = (known.since + lasting).max(self.told_at.map_or(Moment(0), |told_at| told_at + GAP));
        if at > self.now {
            *self.due = Some(self.due.map_or(at, |due| due.min(at)));
            return;
        }
        let what = what();
        *self.told_at = Some(self.now);
        known.told = Some(what.clone());
        self.news.push((what, false));
    }

    fn is_fine(&mut self, name: &Name) {
        if let Some(Lasting { told: Some(what), .. }) = self.known.remove(name) {
            self.news.push((what, true));
        }
    }

    fn nobody_can_tell(&mut self, name: &Name) {
        // It must last without a break.
        if self.known.get(name).is_some_and(|known| known.told.is_none()) {
            self.known.remove(name);
        }
    }

    /// Whatever the rules have no more.
    fn keep_only(&mut self, is_there: impl Fn(&Name) -> bool) {
        let gone: Vec<Name> = self.known.keys().filter(|name| !is_there(name)).cloned().collect();
        gone.iter().for_each(|name| self.is_fine(name));
    }
}

impl MachineState {
    /// Looks whether people have to be warned of anything, or no longer.
    pub(super) fn look_at_warnings(&mut self, now: Now, out: &mut Vec<Effect>) {
        let needs_on = &self.rules().interlocks.needs_on;
        let warns = self.rules().detectors.iter().any(|uses| matches!(uses.role, Role::Warn(_)));
        let empty = self.warnings.detectors.is_empty() && self.warnings.needed.is_empty();
        if needs_on.is_empty() && !warns && empty {
            return;
        }
        let mut warnings = std::mem::take(&mut self.warnings);
        let mut news = Vec::new();
        warnings.due = None;
        self.listen_to_detectors(now.moment, &mut warnings, &mut news);
        self.look_at_needed(now.moment, &mut warnings, &mut news);
        self.warnings = warnings;
        let (machine, title) = (self.rules().name.clone(), self.title.clone());
        out.extend(news.into_iter().map(|(what, over)| {
            Effect::Warned(Warned { at: now, machine: machine.clone(), title: title.clone(), what, over })
        }));
    }

    fn listen_to_detectors(&self, now: Moment, warnings: &mut Warnings, news: &mut Vec<(Warning, bool)>) {
        let Warnings { detectors, told_at, due, .. } = warnings;
        let mut round = Round { now, known: detectors, told_at, due, news };
        let machine = self.rules();
        for (uses, state) in machine.detectors.iter().zip(self.detectors.iter()) {
            let Role::Warn(Watch { during, lasting }) = uses.role else { continue };
            let worth = state.worth(now, uses, machine, &self.signals);
            let seen = match worth.verdict {
                _ if !self.is_listened_to(now, during) => Seen::Fine,
                Verdict::Busy => Seen::Warns(worth.reason),
                Verdict::Idle => Seen::Fine,
                Verdict::Unknown => Seen::Blind,
            };
            match seen {
                Seen::Warns(reason) => round
                    .warns(&uses.name, lasting, || Warning::Detector { detector: uses.name.clone(), reason }),
                Seen::Fine => round.is_fine(&uses.name),
                Seen::Blind => round.nobody_can_tell(&uses.name),
            }
        }
        let warns = |name: &Name| {
            machine.detectors.iter().any(|uses| uses.name == *name && matches!(uses.role, Role::Warn(_)))
        };
        round.keep_only(warns);
    }

    fn is_listened_to(&self, now: Moment, during: WatchWhile) -> bool {
        let state = self.standing(now).at(now);
        match during {
            WatchWhile::On => self.guard.outlet() != Some(Switch::Off),
            WatchWhile::Off => self.guard.outlet() == Some(Switch::Off),
            WatchWhile::Busy => state == State::Busy,
            WatchWhile::Idle => state == State::Idle,
            WatchWhile::Always => true,
        }
    }

    /// A machine that is needed has gone off while this one works.
    fn look_at_needed(&self, now: Moment, warnings: &mut Warnings, news: &mut Vec<(Warning, bool)>) {
        let Warnings { needed, needed_told_at, due, .. } = warnings;
        let mut round = Round { now, known: needed, told_at: needed_told_at, due, news };
        let state = self.standing(now).at(now);
        for needed in self.others.needed(self.rules()) {
            match (state, needed.outlet) {
                (State::Busy, Some(Switch::Off)) => {
                    let what = || Warning::NeededOff { needed: needed.title.into() };
                    round.warns(needed.name, Span::ZERO, what);
                }
                (_, Some(Switch::On)) | (State::Idle | State::Off, _) => round.is_fine(needed.name),
                (State::Busy | State::Unknown, None) | (State::Unknown, Some(Switch::Off)) => {}
            }
        }
        let needs_on = &self.rules().interlocks.needs_on;
        round.keep_only(|name| needs_on.contains(name));
    }
}
