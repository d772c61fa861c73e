//! One machine in the engine: its signals, its detectors and its guard, and the passing of facts between them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::adopt::{detector_at, installation};
use super::after_job::AfterJob;
use super::detector::DetectorState;
use super::effect::{Behind, Effect, Evidence, Grounds, Note, Noted, Reply, ServiceDue, Silence};
use super::foreign_orders::ForeignOrders;
use super::groups::GroupAsk;
use super::interlocks::Others;
use super::jobs::Jobs;
use super::lock_book::LockBook;
use super::outlet_sight::OutletSight;
use super::pairing::Pairing;
use super::permissive::Known;
use super::services::{Seen, Services};
use super::silences::{Sight, Silences, Together};
use super::stopped_detectors::StoppedDetectors;
use super::warnings::Warnings;
use crate::blind::Eyes;
use crate::energy::{Counter, EnergyMeter};
use crate::signals::SignalState;
use crate::{Blindness, HowBad, Subject};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{
    self as guard, DrawReport, Guard, Input, InputId, OutletReport, Permissive, PermissiveState, Reason,
    RequestId, RequestKind,
};
use idlegate_plan::DetectorIx;
use idlegate_plan::MachineIx;
use idlegate_plan::SignalIx;
use idlegate_plan::Table;
use idlegate_plan::event::Feed;
use idlegate_plan::event::{Assessed, Name, Reading, Value, Verdict};
use idlegate_plan::indexed;
use idlegate_plan::indices;
use idlegate_plan::text::tame;
use idlegate_plan::{Machine, Plan, Role, SharedPlan, Stage};

/// A text that a machine reports is not read out any further.
const READ_CHARS_MAX: usize = 60;

#[derive(Debug)]
pub(super) struct MachineState {
    pub(super) plan: SharedPlan,
    pub(super) index: MachineIx,
    pub(super) title: Arc<str>,
    pub(super) guard: Guard,
    pub(super) signals: Table<SignalIx, SignalState>,
    pub(super) detectors: Table<DetectorIx, DetectorState>,
    pub(super) sight: OutletSight,
    /// The machines whose state it goes by.
    pub(super) others: Others,
    pub(super) foreign_orders: ForeignOrders,
    pub(super) stopped_detectors: StoppedDetectors,
    pub(super) pairing: Pairing,
    pub(super) warnings: Warnings,
    pub(super) eyes: Eyes,
    /// What is known of requests the guard has not answered yet; as many as it lets wait.
    pub(super) asked: BTreeMap<RequestId, Asked>,
    /// What each input was refused last for lack of rights. No more than there are inputs.
    pub(super) refused: BTreeMap<InputId, (RequestKind, Reason, Moment)>,
    /// The deadline under which the engine has it in its queue.
    pub(super) queued: Option<Moment>,
    pub(super) silences: Silences,
    /// What held it longer no longer does, which is to be kept.
    pub(super) lets_go: bool,
    pub(super) locks: LockBook,
    pub(super) services: Services,
    /// Who asks at this moment, where the person counts and not only the input.
    pub(super) asks_as: Option<Arc<str>>,
    /// Open incidents, by their words, that were not announced because somebody works on the machine.
    quieted: BTreeSet<&'static str>,
    /// The end of the program, or of the rules for this machine.
    ends: bool,
    pub(super) jobs: Jobs,
    pub(super) after_job: AfterJob,
    /// What the detectors of its work say, whatever its outlet says.
    pub(super) work: Sight,
    permissive: Permissive,
    /// As the guard was last told.
    on_permit: bool,
    shown: Shown,
    /// Silences that are over and not on record yet: one or two.
    lessons: Vec<(Now, Silence)>,
    /// Who asked that it stay on, as people call the input.
    pub(super) kept_on_by: Option<Arc<str>>,
    pub(super) energy: EnergyMeter,
}

/// Whence a request came, for its answer.
#[derive(Clone, Debug)]
pub(super) struct Asked {
    pub(super) input: Name,
    pub(super) gesture: Name,
    pub(super) event_id: Option<Arc<str>>,
    pub(super) reply: Option<Reply>,
    /// Who asked, by the sender's word.
    pub(super) who: Option<Arc<str>>,
    /// How long a keep-on is meant for.
    pub(super) keep_for: Option<Span>,
    /// What it brings from an earlier answer.
    pub(super) confirm: Option<guard::Token>,
    /// Of a lock: what they say of it.
    pub(super) note: Option<Arc<str>>,
    /// Of a service: which.
    pub(super) service: Option<Name>,
    /// It was asked as one of a group, which is answered for all of them.
    pub(super) group: Option<(GroupAsk, Name)>,
}

impl Asked {
    /// By nobody in particular, and for nobody who waits for an answer.
    pub(super) fn plain(input: Name, gesture: Name, event_id: Option<Arc<str>>) -> Asked {
        let (reply, who, keep_for, confirm, note, service, group) =
            (None, None, None, None, None, None, None);
        Asked { input, gesture, event_id, reply, who, keep_for, confirm, note, service, group }
    }
}

/// What people see of a machine, in as far as a change of it is worth telling at once.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Shown {
    outlet: Option<guard::Switch>,
    permissive: Option<guard::PermissiveState>,
    kept_on: Option<guard::KeptOn>,
    windows: Vec<guard::OverrideWindow>,
    active_deferral: Option<guard::ActiveDeferral>,
    locks: guard::Locks,
    services_due: Vec<Name>,
    switching: bool,
    waiting: bool,
    incidents: Vec<&'static str>,
    stopped: Option<HowBad>,
    blind: Vec<(Blindness, Option<Name>)>,
    job: Option<WallTime>,
}

/// A silence longer than its signal may have is not bridged.
fn energy_meter(plan: &Plan, machine: &Machine) -> EnergyMeter {
    let outlet = &machine.outlet;
    let signal = outlet.energy.map(|energy| energy.signal).or(outlet.power_signal);
    let silence_max = signal.map_or(Span::ZERO, |signal| machine.signals[signal].stale_after);
    let Some(energy) = outlet.energy else { return EnergyMeter::new(silence_max) };
    // Well beyond what is written on a machine and its breaker: neither is exact.
    let possible = machine.circuit.map(|on| {
        let circuit = &plan.shop.circuits[on.circuit];
        (on.peak_watts * 2.0).min(circuit.amperes * circuit.volts * 1.5)
    });
    let counter = Counter::of(energy.joules_per_unit).wrapping_at(energy.wraps_at).drawing_at_most(possible);
    EnergyMeter::counting(silence_max, counter)
}

/// A reading, as it is said to people.
fn reading_words(value: &Value, unit: &str) -> Arc<str> {
    match value {
        Value::Number(number) => idlegate_detector::quantity(*number, unit).to_string().into(),
        Value::Text(text) => tame(text, READ_CHARS_MAX).into(),
    }
}

impl MachineState {
    pub(super) fn new(plan: &SharedPlan, index: MachineIx, kept: guard::Kept, now: Now) -> MachineState {
        let machine = &plan.machines[index];
        MachineState {
            plan: plan.clone(),
            index,
            title: machine.title.as_str().into(),
            guard: Guard::new(machine.policy, kept, now.moment),
            signals: machine.signals.iter().map(SignalState::new).collect(),
            detectors: Table::default(),
            sight: OutletSight::default(),
            others: Others::new(plan, machine),
            foreign_orders: ForeignOrders::default(),
            stopped_detectors: StoppedDetectors::default(),
            pairing: Pairing::default(),
            warnings: Warnings::default(),
            eyes: Eyes::default(),
            asked: BTreeMap::new(),
            refused: BTreeMap::new(),
            queued: None,
            silences: Silences::default(),
            lets_go: false,
            locks: LockBook::default(),
            services: Services::default(),
            asks_as: None,
            quieted: BTreeSet::new(),
            ends: false,
            jobs: Jobs::default(),
            after_job: AfterJob::default(),
            work: Sight::Unknown,
            permissive: Permissive::UNKNOWN,
            on_permit: false,
            shown: Shown::default(),
            lessons: Vec::new(),
            kept_on_by: None,
            energy: energy_meter(plan, machine),
        }
    }

    /// Name and title.
    pub(super) fn names(&self) -> (Name, Arc<str>) {
        (self.rules().name.clone(), self.title.clone())
    }

    pub(super) fn rules(&self) -> &Machine {
        &self.plan.machines[self.index]
    }

    /// Asks for all detectors of this machine to be loaded.
    pub(super) fn install(&mut self, now: Moment, generation: &mut u64, out: &mut Vec<Effect>) {
        self.detectors.clear();
        let machine = &self.plan.machines[self.index];
        for index in indices(&machine.detectors) {
            *generation += 1;
            self.detectors.push(DetectorState::new(*generation, now));
            out.push(Effect::Install(installation(machine, index, *generation)));
        }
    }

    /// Shows new readings of a signal, oldest first, to every detector that wants them, all at once: no detector is
    /// asked what it thinks of a part of them. The guard learns what that makes doubtful.
    pub(super) fn take_readings(
        &mut self,
        now: Now,
        signal: SignalIx,
        new: &[Reading],
        acts: &mut Vec<guard::Effect>,
        out: &mut Vec<Effect>,
    ) {
        self.show(now, signal, new, out);
        let worked = self.permissive.state == PermissiveState::Busy;
        self.eyes.reads(&self.plan.machines[self.index].signals[signal], new, worked);
        // First of all that it is unseen: whatever else the guard is told makes it do what is due.
        self.refresh_permissive(now, acts);
        for reading in new {
            self.count_power(now, signal, reading, acts, out);
        }
    }

    pub(super) fn show(&mut self, now: Now, signal: SignalIx, new: &[Reading], out: &mut Vec<Effect>) {
        let machine = &self.plan.machines[self.index];
        for (index, uses) in indexed(&machine.detectors) {
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
                id: detector_at(machine, index),
                generation: state.generation,
                feed: state.feed(now.moment),
                readings,
                assess_at: now.moment,
            }));
        }
    }

    /// Meters that speak only when their value changes: those that have been silent for too long are in doubt, and what
    /// the others read last is shown again. It is no new reading, and ends nothing that waits for one; but what is
    /// drawn without a change is energy all the same.
    fn look_at_silence(&mut self, now: Now, acts: &mut Vec<guard::Effect>, out: &mut Vec<Effect>) {
        for signal in self.signals.indices() {
            let machine = &self.plan.machines[self.index];
            let rules = &machine.signals[signal];
            let state = &mut self.signals[signal];
            if let Some(reading) = state.say_again(now.moment, rules) {
                self.show(now, signal, &[reading], out);
                continue;
            }
            if state.lapse(now.moment, rules) {
                self.doubt(now, signal, acts);
                continue;
            }
            if state.asks(now.moment, rules) {
                out.push(Effect::Refresh { machine: machine.name.clone(), signal: Some(signal) });
            }
            if let Some(reading) = state.show_again(now.moment, rules) {
                self.count_energy(now, signal, &reading, out);
                self.show(now, signal, &[reading], out);
            }
        }
    }

    /// Meters that are asked are asked while there is a connection, and at once when there is one anew.
    pub(super) fn poll(&mut self, now: Moment, up: bool, anew: bool) {
        let rules = &self.plan.machines[self.index].signals;
        for (state, rules) in self.signals.iter_mut().zip(rules) {
            state.begin_asking(rules, up.then_some(now), anew);
        }
    }

    fn count_energy(&mut self, now: Now, signal: SignalIx, reading: &Reading, out: &mut Vec<Effect>) {
        let machine = &self.plan.machines[self.index];
        let Value::Number(number) = reading.value else { return };
        let mut over = Vec::new();
        if machine.outlet.energy.is_some_and(|energy| energy.signal == signal) {
            over.extend(self.energy.count(now, reading.at, number));
        }
        if machine.outlet.power_signal == Some(signal) {
            over.extend(self.energy.take(now, reading.at, number));
        }
        let noted =
            |over| Noted { at: now, machine: machine.name.clone(), what: Note::Energy(Box::new(over)) };
        out.extend(over.into_iter().map(|over| Effect::Noted(noted(over))));
    }

    /// What a reading says of the energy, and of what is drawn after an off.
    fn count_power(
        &mut self,
        now: Now,
        signal: SignalIx,
        reading: &Reading,
        acts: &mut Vec<guard::Effect>,
        out: &mut Vec<Effect>,
    ) {
        self.count_energy(now, signal, reading, out);
        let machine = &self.plan.machines[self.index];
        let Value::Number(number) = reading.value else { return };
        if machine.outlet.power_signal == Some(signal) {
            let residual = number > machine.outlet.residual_watts;
            self.jobs.draws(number);
            self.guard.handle(now.moment, Input::Draw(DrawReport { residual, at: reading.at }), acts);
        }
    }

    /// Nothing is known of this signal any more, so detectors that were shown it must forget what they were shown.
    pub(super) fn doubt(&mut self, now: Now, signal: SignalIx, acts: &mut Vec<guard::Effect>) {
        let machine = &self.plan.machines[self.index];
        for (uses, state) in machine.detectors.iter().zip(self.detectors.iter_mut()) {
            if uses.signals.contains(&Some(signal)) {
                state.outdate(now.moment);
            }
        }
        self.refresh_permissive(now, acts);
    }

    /// A connection was lost, or begins: what was read before says nothing about what comes after it.
    pub(super) fn cut_off(&mut self, now: Now, until: Moment, lost: bool, acts: &mut Vec<guard::Effect>) {
        let rules = &self.plan.machines[self.index].signals;
        // What is known of another machine came by no connection; whether it still holds, that machine's guard says.
        let from_outside =
            self.signals.iter_mut().zip(rules).filter(|(_, rules)| rules.of_machine().is_none());
        from_outside.for_each(|(signal, _)| signal.cut_off(until, lost));
        self.detectors.iter_mut().for_each(|state| state.outdate(now.moment));
        self.refresh_permissive(now, acts);
    }

    /// Puts new instances in the place of detectors whose past no longer counts. Each is shown the newest reading of
    /// every signal that is known now, and nothing from before.
    pub(super) fn replace_outdated(&mut self, now: Now, generation: &mut u64, out: &mut Vec<Effect>) {
        let machine = &self.plan.machines[self.index];
        for (index, uses) in indexed(&machine.detectors) {
            if !self.detectors[index].gives_way(now.moment) {
                continue;
            }
            *generation += 1;
            let mut state = DetectorState::new(*generation, now.moment);
            let known = (0_u32..).zip(&uses.signals).filter_map(|(declared, wired)| {
                let signal = &self.signals[(*wired)?];
                Some((declared, signal.shown()?))
            });
            let mut readings: Vec<_> = known.collect();
            readings.sort_by_key(|(_, reading)| reading.at);
            // Removed first, or the new one would begin with the history of the old one.
            out.push(Effect::Remove(detector_at(machine, index)));
            out.push(Effect::Install(installation(machine, index, *generation)));
            let look = state.look(now.moment);
            let feed = if readings.is_empty() { look } else { state.feed(now.moment) };
            out.push(Effect::Feed(Feed {
                id: detector_at(machine, index),
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
        out: &mut Vec<Effect>,
    ) -> bool {
        let place = assessed.detector;
        let Some(state) = self.detectors.get_mut(place) else { return false };
        let taken = state.take(now.moment, assessed);
        if taken {
            self.tell_stopped_detector(now, place, out);
            self.refresh_permissive(now, acts);
        }
        taken
    }

    pub(super) fn take_outlet(&mut self, now: Now, acts: &mut Vec<guard::Effect>) {
        let report = OutletReport { state: self.sight.state(), at: now.moment };
        self.pairing.was_clear = self.guard.state(now.moment) == PermissiveState::Clear;
        self.guard.handle(now.moment, Input::Outlet(report), acts);
        // An off and an on with no reading between them are the end of a silence all the same.
        self.refresh_permissive(now, acts);
    }

    /// Time has passed: readings may have gone stale, detectors may see it differently, the guard may have
    /// something due.
    pub(super) fn tick(&mut self, now: Now, acts: &mut Vec<guard::Effect>, out: &mut Vec<Effect>) {
        self.look_at_silence(now, acts, out);
        let machine = &self.plan.machines[self.index];
        for index in self.detectors.indices() {
            let state = &mut self.detectors[index];
            if state.next_look().is_some_and(|at| at <= now.moment) && !state.is_outdated() {
                out.push(Effect::Feed(Feed {
                    id: detector_at(machine, index),
                    generation: state.generation,
                    feed: state.look(now.moment),
                    readings: Vec::new(),
                    assess_at: now.moment,
                }));
            }
        }
        self.refresh_permissive(now, acts);
        self.guard.handle(now.moment, Input::Tick, acts);
        self.foreign_orders_have_stopped(now, out);
    }

    pub(super) fn refresh_permissive(&mut self, now: Now, acts: &mut Vec<guard::Effect>) {
        self.learn(now, acts);
        let merged = self.merged(now.moment);
        let same = Permissive { assessed_at: self.permissive.assessed_at, ..merged } == self.permissive;
        if !same {
            self.permissive = merged;
            self.guard.handle(now.moment, Input::Permissive(merged), acts);
        }
        if self.guard.policy().on_needs_permit {
            self.refresh_on_permit(now, acts);
        }
    }

    /// Whether its power may be cut, by all that is known now.
    pub(super) fn merged(&self, now: Moment) -> Permissive {
        let mut merged = self.known().merge(now);
        if merged.state == PermissiveState::Clear
            && let Some(left) = self.silences.holds(now)
        {
            (merged.state, merged.cautious, merged.clears_in) = (PermissiveState::Busy, true, Some(left));
        }
        merged
    }

    pub(super) fn known(&self) -> Known<'_> {
        Known {
            machine: self.rules(),
            detectors: &self.detectors,
            signals: &self.signals,
            others: &self.others,
        }
    }

    /// What its silences teach.
    fn learn(&mut self, now: Now, acts: &mut Vec<guard::Effect>) {
        let machine = &self.plan.machines[self.index];
        let (mut holding, mut work) = (Together::default(), Together::default());
        let pairs = machine.detectors.iter().zip(self.detectors.iter());
        for (uses, state) in pairs.filter(|(uses, _)| uses.role == Role::Hold) {
            let (verdict, left) = state.says(now.moment, uses, machine, &self.signals);
            holding.and(verdict, left);
            if uses.stage == Stage::Work {
                work.and(verdict, left);
            }
        }
        self.work = work.sight();
        let sight = match self.guard.outlet() {
            Some(guard::Switch::Off) => Sight::Off,
            Some(guard::Switch::On) | None => holding.sight(),
        };
        let before = self.silences.longer().cloned();
        if let Some(silence) = self.silences.see(now, sight, machine) {
            self.lessons.push((now, silence));
        }
        if std::mem::take(&mut self.lets_go) || self.silences.longer() != before.as_ref() {
            acts.push(guard::Effect::Keep(self.guard.kept()));
        }
    }

    /// Tells the guard whether the machine may be switched on, where that depends on anything.
    fn refresh_on_permit(&mut self, now: Now, acts: &mut Vec<guard::Effect>) {
        let given = self.known().reasons_against_on(now.moment).next().is_none();
        if given != self.on_permit {
            self.on_permit = given;
            self.guard.handle(now.moment, Input::OnPermit(given), acts);
        }
    }

    pub(super) fn reasons_against_on(&self, now: Moment) -> Vec<Arc<str>> {
        self.known().reasons_against_on(now).collect()
    }

    /// When to look at this machine again.
    pub(super) fn deadline(&self, now: Moment) -> Option<Moment> {
        let looks = self.detectors.iter().filter_map(DetectorState::next_look).min();
        let stale = Some(self.permissive.valid_until).filter(|at| *at > now && *at < Moment(u64::MAX));
        let rules = &self.rules().signals;
        let silence =
            self.signals.iter().zip(rules).filter_map(|(signal, rules)| signal.deadline(rules)).min();
        let held = self.silences.deadline().filter(|at| *at > now);
        let needed = self.others.deadline(now, self.rules());
        let (foreign, pairing) = (self.foreign_orders.deadline(), self.pairing.deadline());
        let (warning, services) =
            (self.warnings.deadline(), self.services.deadline(now, &self.rules().services));
        let jobs = [
            self.jobs.deadline(&self.rules().jobs),
            self.after_job.deadline(&self.guard, &self.rules().jobs),
        ];
        [self.guard.deadline(), looks, stale, silence, held, needed, warning, services, foreign, pairing]
            .into_iter()
            .chain(jobs)
            .flatten()
            .min()
    }

    pub(super) fn reasons(&self, now: Moment) -> Vec<Arc<str>> {
        let (kept_on, silences) = (self.kept_on_reason(now), self.silences_reason(now));
        if self.is_held_longer(now) {
            return kept_on.or(silences).into_iter().collect();
        }
        if kept_on.is_some() && self.permissive.at(now) == PermissiveState::Clear {
            return kept_on.into_iter().collect();
        }
        let mut reasons = self.known().reasons(now);
        reasons.extend(silences);
        reasons.extend(kept_on);
        reasons
    }

    /// Somebody's word that it stays on.
    fn kept_on_reason(&self, now: Moment) -> Option<Arc<str>> {
        let left = self.guard.kept_on()?.until.since(now);
        let by = self.kept_on_by.as_deref().unwrap_or("somebody");
        Some(format!("it is kept on for another {left}, because {by} asked for it").into())
    }

    /// Nothing but its silences before holds it.
    fn is_held_longer(&self, now: Moment) -> bool {
        self.permissive.cautious && self.permissive.at(now) == PermissiveState::Busy
    }

    fn silences_reason(&self, now: Moment) -> Option<Arc<str>> {
        match self.permissive.at(now) {
            PermissiveState::Busy if self.permissive.cautious => self.silences.reason(now),
            PermissiveState::Clear => self.silences.counted_reason(),
            PermissiveState::Busy | PermissiveState::Unknown => None,
        }
    }

    /// The detector whose word counts now: the first that says busy, else the first in doubt, else the first.
    pub(super) fn behind(&self, now: Moment) -> Option<Behind> {
        let machine = self.rules();
        let pairs =
            machine.detectors.iter().zip(self.detectors.iter()).filter(|(uses, _)| uses.role == Role::Hold);
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
            Some(Evidence { signal, unit, reading, age: _, unchanged: _ }) => {
                (Some(signal), Some(reading_words(&reading.value, &unit)))
            }
            None => (wired, None),
        };
        Some(Behind { detector: finding.detector, settings: uses.settings.clone(), signal, reading })
    }

    pub(super) fn grounds(&self, now: Moment) -> Grounds {
        let machine = self.rules();
        let pairs = machine.detectors.iter().zip(self.detectors.iter());
        Grounds {
            state: Some(self.guard.state(now)),
            outlet: self.guard.outlet(),
            kept_on: self.kept_on_reason(now),
            findings: pairs
                .map(|(uses, state)| state.finding(now, uses, machine, &self.signals))
                .chain(self.others.findings(now, machine))
                .collect(),
            silences: self.silences_reason(now),
        }
    }

    /// Those that are open, by their words.
    pub(super) fn incidents(&self) -> Vec<&'static str> {
        let foreign = self.foreign_orders.is_open().then_some(Subject::ForeignOrder.word());
        let stopped = self.stopped_detectors.is_open().then_some(Subject::DetectorStopped.word());
        let unseen = self.eyes.spots.iter().any(|spot| !spot.kind.has_own_incident());
        let blind = unseen.then_some(Subject::Blind.word());
        let told = self.guard.incidents().filter(|kind| !self.pairing.hides(*kind));
        told.map(guard::IncidentKind::word)
            .chain(foreign)
            .chain(stopped)
            .chain(blind)
            .chain(self.warnings.open())
            .collect()
    }

    pub(super) fn permissive(&self) -> &Permissive {
        &self.permissive
    }

    /// Counts what was seen of it since the last look. What it was held for by caution alone is no work.
    pub(super) fn count_services(&mut self, now: Now, acts: &mut Vec<guard::Effect>, out: &mut Vec<Effect>) {
        let rules = self.plan.clone();
        let rules = &rules.machines[self.index];
        if rules.services.is_empty() {
            return;
        }
        let working = self.permissive.at(now.moment) == PermissiveState::Busy && !self.permissive.cautious;
        let seen = Seen { working, outlet: self.guard.outlet(), until: self.permissive.valid_until };
        for service in self.services.see(now, seen, &rules.services) {
            let (machine, title) = self.names();
            out.push(Effect::ServiceDue(ServiceDue { at: now, machine, title, service }));
        }
        if self.services.wants_keeping(now.moment, self.ends) {
            acts.push(guard::Effect::Keep(self.guard.kept()));
        }
    }

    fn services_due(&self) -> Vec<Name> {
        let services = self.services.status(&self.rules().services).into_iter();
        services.filter(|service| service.due).map(|service| service.service).collect()
    }

    /// Whether nobody is to hear of an incident because somebody works on the machine. What is urgent is always heard,
    /// and so is that something is over which was heard.
    pub(super) fn keeps_quiet(&mut self, word: &'static str, urgent: bool, over: bool) -> bool {
        let known = self.quieted.remove(word);
        if over {
            return known;
        }
        let quiet = !urgent && self.guard.locks().is_maintenance();
        if quiet {
            self.quieted.insert(word);
        }
        quiet
    }

    /// Incidents that were not announced and go on, by their words.
    pub(super) fn kept_quiet(&self) -> Option<Arc<str>> {
        let open = self.incidents();
        let quiet: Vec<&str> = self.quieted.iter().copied().filter(|word| open.contains(word)).collect();
        (!quiet.is_empty()).then(|| quiet.join(" ").into())
    }

    /// What was counted and not put on record yet, at the end of the program or of the rules for this machine.
    pub(super) fn finish(&mut self, now: Now, out: &mut Vec<Effect>) {
        self.end_pairing(out);
        self.ends = true;
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
            permissive: Some(self.guard.state(now.moment)),
            kept_on: guard.kept_on(),
            windows: guard.windows().collect(),
            active_deferral: guard.active_deferral(),
            locks: *guard.locks(),
            services_due: self.services_due(),
            switching: guard.pending().is_some(),
            waiting: guard.waiting() > 0,
            incidents: self.incidents(),
            stopped: self.stopped_detectors.worst(),
            blind: self.eyes.spots.iter().map(|spot| (spot.kind, spot.part.clone())).collect(),
            job: self.jobs.begun(),
        };
        let before = std::mem::replace(&mut self.shown, shown);
        for (at, silence) in std::mem::take(&mut self.lessons) {
            let what = Note::Silence(silence);
            out.push(Effect::Noted(Noted { at, machine: self.rules().name.clone(), what }));
        }
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
