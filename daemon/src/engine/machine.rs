//! One machine in the engine: its signals, its detectors and its guard, and the passing of facts between them.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::adopt::installation;
use super::detector::DetectorState;
use super::effect::{Behind, Effect, Feed, Grounds, Note, Noted, Reply};
use super::outlet_sight::OutletSight;
use super::permissive;
use crate::energy::EnergyMeter;
use crate::event::{Assessed, Name, Reading, Value, Verdict};
use crate::guard::{self, DrawReport, Guard, Input, OutletReport, Permissive, RequestId};
use crate::plan::{Machine, Role, SharedPlan};
use crate::signals::SignalState;
use crate::text::tame;
use crate::time::{Moment, Now, Span};

/// A text that a machine reports is not read out any further.
const READ_CHARS_MAX: usize = 60;

#[derive(Debug)]
pub(super) struct MachineState {
    pub(super) plan: SharedPlan,
    pub(super) index: usize,
    pub(super) title: Arc<str>,
    pub(super) guard: Guard,
    pub(super) signals: Vec<SignalState>,
    pub(super) detectors: Vec<DetectorState>,
    pub(super) sight: OutletSight,
    /// What is known of requests the guard has not answered yet; as many as it lets wait.
    pub(super) asked: BTreeMap<RequestId, Asked>,
    /// The deadline under which the engine has it in its queue.
    pub(super) queued: Option<Moment>,
    permissive: Permissive,
    /// As the guard was last told.
    on_permit: bool,
    shown: Shown,
    energy: EnergyMeter,
}

/// Whence a request came, for its answer.
#[derive(Clone, Debug)]
pub(super) struct Asked {
    pub(super) input: Name,
    pub(super) gesture: Name,
    pub(super) event_id: Option<Arc<str>>,
    pub(super) reply: Option<Reply>,
}

/// What people see of a machine, in as far as a change of it is worth telling at once.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Shown {
    outlet: Option<guard::Switch>,
    permissive: Option<guard::PermissiveState>,
    window: Option<Moment>,
    standing: Option<guard::Standing>,
    lockout: Option<guard::Lockout>,
    switching: bool,
    waiting: bool,
    incidents: Vec<guard::IncidentKind>,
}

/// A silence longer than its signal may have is not bridged.
fn energy_meter(machine: &Machine) -> EnergyMeter {
    let outlet = &machine.outlet;
    let signal = outlet.energy.map(|energy| energy.signal).or(outlet.power_signal);
    let silence_max = signal.map_or(Span::ZERO, |signal| machine.signals[signal].stale_after);
    match outlet.energy {
        Some(counter) => EnergyMeter::counting(silence_max, counter.joules_per_unit, counter.wraps_at),
        None => EnergyMeter::new(silence_max),
    }
}

/// A reading, as it is said to people.
fn reading_words(value: &Value, unit: &str) -> Arc<str> {
    match value {
        Value::Number(number) => idlegate_detector::quantity(*number, unit).to_string().into(),
        Value::Text(text) => tame(text, READ_CHARS_MAX).into(),
    }
}

impl MachineState {
    pub(super) fn new(plan: &SharedPlan, index: usize, kept: guard::Kept, now: Now) -> MachineState {
        let machine = &plan.machines[index];
        MachineState {
            plan: plan.clone(),
            index,
            title: machine.title.as_str().into(),
            guard: Guard::new(machine.policy, kept, now.moment),
            signals: machine.signals.iter().map(SignalState::new).collect(),
            detectors: Vec::new(),
            sight: OutletSight::default(),
            asked: BTreeMap::new(),
            queued: None,
            permissive: Permissive::UNKNOWN,
            on_permit: false,
            shown: Shown::default(),
            energy: energy_meter(machine),
        }
    }

    pub(super) fn rules(&self) -> &Machine {
        &self.plan.machines[self.index]
    }

    /// Asks for all detectors of this machine to be loaded.
    pub(super) fn install(&mut self, now: Moment, generation: &mut u64, out: &mut Vec<Effect>) {
        self.detectors.clear();
        let machine = &self.plan.machines[self.index];
        for index in 0..machine.detectors.len() {
            *generation += 1;
            self.detectors.push(DetectorState::new(*generation, now));
            out.push(Effect::Install(installation(machine, index, *generation)));
        }
    }

    /// Shows new readings of a signal, oldest first, to every detector that wants them, all at once: no detector is asked
    /// what it thinks of a part of them. The guard learns what that makes doubtful.
    pub(super) fn take_readings(
        &mut self,
        now: Now,
        signal: usize,
        new: &[Reading],
        acts: &mut Vec<guard::Effect>,
        out: &mut Vec<Effect>,
    ) {
        let machine = &self.plan.machines[self.index];
        for (index, uses) in machine.detectors.iter().enumerate() {
            let wired = (0_u32..).zip(&uses.signals).filter(|(_, wired)| **wired == Some(signal));
            let wired = wired.map(|(declared, _)| declared);
            let readings: Vec<_> = new
                .iter()
                .flat_map(|reading| wired.clone().map(|declared| (declared, reading.clone())))
                .collect();
            let state = &mut self.detectors[index];
            // The one that takes its place is shown what is known then.
            if readings.is_empty() || state.is_outdated() {
                continue;
            }
            out.push(Effect::Feed(Feed {
                machine: machine.name.clone(),
                detector: index,
                generation: state.generation,
                feed: state.feed(now.moment),
                readings,
                assess_at: now.moment,
            }));
        }
        for reading in new {
            self.count_power(now, signal, reading, acts, out);
        }
        self.refresh_permissive(now, acts);
    }

    /// What a reading says of the energy, and of what is drawn after an off.
    fn count_power(
        &mut self,
        now: Now,
        signal: usize,
        reading: &Reading,
        acts: &mut Vec<guard::Effect>,
        out: &mut Vec<Effect>,
    ) {
        let machine = &self.plan.machines[self.index];
        let Value::Number(number) = reading.value else { return };
        if machine.outlet.energy.is_some_and(|energy| energy.signal == signal)
            && let Some(over) = self.energy.count(now, reading.at, number)
        {
            let what = Note::Energy(Box::new(over));
            out.push(Effect::Noted(Noted { at: now, machine: machine.name.clone(), what }));
        }
        if machine.outlet.power_signal == Some(signal) {
            if let Some(over) = self.energy.take(now, reading.at, number) {
                let what = Note::Energy(Box::new(over));
                out.push(Effect::Noted(Noted { at: now, machine: machine.name.clone(), what }));
            }
            let residual = number > machine.outlet.residual_watts;
            self.guard.handle(now.moment, Input::Draw(DrawReport { residual, at: reading.at }), acts);
        }
    }

    /// Nothing is known of this signal any more, so detectors that were shown it must forget what they were shown.
    pub(super) fn doubt(&mut self, now: Now, signal: usize, acts: &mut Vec<guard::Effect>) {
        let machine = &self.plan.machines[self.index];
        for (uses, state) in machine.detectors.iter().zip(&mut self.detectors) {
            if uses.signals.contains(&Some(signal)) {
                state.outdate(now.moment);
            }
        }
        self.refresh_permissive(now, acts);
    }

    /// A connection was lost, or begins: what was read before says nothing about what comes after it.
    pub(super) fn cut_off(&mut self, now: Now, until: Moment, lost: bool, acts: &mut Vec<guard::Effect>) {
        self.signals.iter_mut().for_each(|signal| signal.cut_off(until, lost));
        self.detectors.iter_mut().for_each(|state| state.outdate(now.moment));
        self.refresh_permissive(now, acts);
    }

    /// Puts new instances in the place of detectors whose past no longer counts. Each is shown the newest reading of
    /// every signal that is known now, and nothing from before.
    pub(super) fn replace_outdated(&mut self, now: Now, generation: &mut u64, out: &mut Vec<Effect>) {
        let machine = &self.plan.machines[self.index];
        for (index, uses) in machine.detectors.iter().enumerate() {
            if !self.detectors[index].gives_way(now.moment) {
                continue;
            }
            *generation += 1;
            let mut state = DetectorState::new(*generation, now.moment);
            let known = (0_u32..).zip(&uses.signals).filter_map(|(declared, wired)| {
                let signal = &self.signals[(*wired)?];
                Some((declared, signal.live()?.clone()))
            });
            let mut readings: Vec<_> = known.collect();
            readings.sort_by_key(|(_, reading)| reading.at);
            // Removed first, or the new one would begin with the history of the old one.
            out.push(Effect::Remove { machine: machine.name.clone(), detector: index });
            out.push(Effect::Install(installation(machine, index, *generation)));
            let look = state.look(now.moment);
            let feed = if readings.is_empty() { look } else { state.feed(now.moment) };
            out.push(Effect::Feed(Feed {
                machine: machine.name.clone(),
                detector: index,
                generation: *generation,
                feed,
                readings,
                assess_at: now.moment,
            }));
            self.detectors[index] = state;
        }
    }

    pub(super) fn take_assessed(
        &mut self,
        now: Now,
        assessed: Assessed,
        acts: &mut Vec<guard::Effect>,
    ) -> bool {
        let Some(state) = self.detectors.get_mut(assessed.detector) else { return false };
        let taken = state.take(now.moment, assessed);
        if taken {
            self.refresh_permissive(now, acts);
        }
        taken
    }

    pub(super) fn take_outlet(&mut self, now: Now, acts: &mut Vec<guard::Effect>) {
        let report = OutletReport { state: self.sight.state(), at: now.moment };
        self.guard.handle(now.moment, Input::Outlet(report), acts);
    }

    /// Time has passed: readings may have gone stale, detectors may see it differently, the guard may have
    /// something due.
    pub(super) fn tick(&mut self, now: Now, acts: &mut Vec<guard::Effect>, out: &mut Vec<Effect>) {
        let machine = &self.plan.machines[self.index];
        for (index, state) in self.detectors.iter_mut().enumerate() {
            if state.next_look().is_some_and(|at| at <= now.moment) && !state.is_outdated() {
                out.push(Effect::Feed(Feed {
                    machine: machine.name.clone(),
                    detector: index,
                    generation: state.generation,
                    feed: state.look(now.moment),
                    readings: Vec::new(),
                    assess_at: now.moment,
                }));
            }
        }
        self.refresh_permissive(now, acts);
        self.guard.handle(now.moment, Input::Tick, acts);
    }

    fn refresh_permissive(&mut self, now: Now, acts: &mut Vec<guard::Effect>) {
        if self.guard.policy().on_needs_permit {
            self.refresh_on_permit(now, acts);
        }
        let merged = permissive::merge(now.moment, self.rules(), &self.detectors, &self.signals);
        let same = Permissive { assessed_at: self.permissive.assessed_at, ..merged } == self.permissive;
        if !same {
            self.permissive = merged;
            self.guard.handle(now.moment, Input::Permissive(merged), acts);
        }
    }

    /// Tells the guard whether the machine may be switched on, where that depends on anything.
    fn refresh_on_permit(&mut self, now: Now, acts: &mut Vec<guard::Effect>) {
        let given = permissive::on_permit(now.moment, self.rules(), &self.detectors, &self.signals);
        if given != self.on_permit {
            self.on_permit = given;
            self.guard.handle(now.moment, Input::OnPermit(given), acts);
        }
    }

    pub(super) fn reasons_against_on(&self, now: Moment) -> Vec<Arc<str>> {
        permissive::reasons_against_on(now, self.rules(), &self.detectors, &self.signals)
    }

    /// When to look at this machine again.
    pub(super) fn deadline(&self, now: Moment) -> Option<Moment> {
        let looks = self.detectors.iter().filter_map(DetectorState::next_look).min();
        let stale = Some(self.permissive.valid_until).filter(|at| *at > now && *at < Moment(u64::MAX));
        [self.guard.deadline(), looks, stale].into_iter().flatten().min()
    }

    pub(super) fn reasons(&self, now: Moment) -> Vec<Arc<str>> {
        permissive::reasons(now, self.rules(), &self.detectors, &self.signals)
    }

    /// The detector whose word counts now: the first that says busy, else the first in doubt, else the first.
    pub(super) fn behind(&self, now: Moment) -> Option<Behind> {
        let machine = self.rules();
        let pairs = machine.detectors.iter().zip(&self.detectors).filter(|(uses, _)| uses.role == Role::Hold);
        let mut found: Vec<_> =
            pairs.map(|(uses, state)| (uses, state.finding(now, uses, machine, &self.signals))).collect();
        // A stable sort, so the rules' own order decides between equals.
        found.sort_by_key(|(_, finding)| match finding.verdict {
            Verdict::Busy => 0,
            Verdict::Unknown => 1,
            Verdict::Idle => 2,
        });
        let (uses, finding) = found.into_iter().next()?;
        let wired = uses.signals.iter().find_map(|signal| Some(machine.signals[(*signal)?].name.clone()));
        // What was read before the doubt says nothing about now.
        let read = finding.readings.into_iter().next().filter(|_| finding.verdict != Verdict::Unknown);
        let (signal, reading) = match read {
            Some((signal, unit, reading, _)) => (Some(signal), Some(reading_words(&reading.value, &unit))),
            None => (wired, None),
        };
        Some(Behind { detector: finding.detector, settings: uses.settings.clone(), signal, reading })
    }

    pub(super) fn grounds(&self, now: Moment) -> Grounds {
        let machine = self.rules();
        let pairs = machine.detectors.iter().zip(&self.detectors);
        Grounds {
            state: Some(self.permissive.at(now)),
            outlet: self.guard.outlet(),
            findings: pairs.map(|(uses, state)| state.finding(now, uses, machine, &self.signals)).collect(),
        }
    }

    pub(super) fn permissive(&self) -> &Permissive {
        &self.permissive
    }

    /// What was counted and not put on record yet, at the end of the program or of the rules for this machine.
    pub(super) fn finish(&mut self, now: Now, out: &mut Vec<Effect>) {
        if let Some(rest) = self.energy.finish() {
            let machine = self.rules().name.clone();
            out.push(Effect::Noted(Noted { at: now, machine, what: Note::Energy(Box::new(rest)) }));
        }
    }

    /// Whether something worth telling has changed since this was last asked; what belongs on record is noted.
    pub(super) fn status_changed(&mut self, now: Now, out: &mut Vec<Effect>) -> bool {
        let guard = &self.guard;
        let shown = Shown {
            outlet: guard.outlet(),
            permissive: Some(self.permissive.at(now.moment)),
            window: guard.window().map(|window| window.deadline()),
            standing: guard.standing(),
            lockout: guard.lockout(),
            switching: guard.pending().is_some(),
            waiting: guard.waiting() > 0,
            incidents: guard.incidents().collect(),
        };
        let before = std::mem::replace(&mut self.shown, shown);
        let machine = || self.rules().name.clone();
        if self.shown.outlet != before.outlet {
            let what = Note::Outlet(self.shown.outlet);
            out.push(Effect::Noted(Noted { at: now, machine: machine(), what }));
        }
        if let Some(state) = self.shown.permissive.filter(|_| self.shown.permissive != before.permissive) {
            let what = Note::State(state, self.reasons(now.moment));
            out.push(Effect::Noted(Noted { at: now, machine: machine(), what }));
        }
        self.shown != before
    }
}
