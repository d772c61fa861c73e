//! Machines that go by the state of other machines: what each knows of the others, and what follows from it.
//!
//! A machine knows of another one what that one's own guard would go by, and no more: whatever is not known of it is
//! unknown here, too, and unknown holds. It is told before anything else happens to it, so no order of events lets it
//! go by what was so before.

use std::sync::Arc;

use super::core::Engine;
use super::detector::Worth;
use super::effect::{Effect, Finding};
use super::machine::MachineState;
use super::permissive::Known;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{self as guard, Guard, IncidentKind, Permissive, PermissiveState, Switch};
use idlegate_plan::event::{Name, Value, Verdict};
use idlegate_plan::{Machine, MachineIx, NeededBy, Plan, Role, Table, indexed, indices};

/// What a machine is to others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum State {
    Busy,
    Idle,
    Unknown,
    /// Its outlet is off, and nothing shows otherwise.
    Off,
}

impl State {
    /// As detectors read it.
    pub(super) const fn word(self) -> &'static str {
        match self {
            State::Busy => "busy",
            State::Idle => "idle",
            State::Unknown => "unknown",
            State::Off => "off",
        }
    }

    const fn is_at_rest(self) -> bool {
        match self {
            State::Idle | State::Off => true,
            State::Busy | State::Unknown => false,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Standing {
    state: State,
    /// As its outlet says.
    outlet: Option<Switch>,
    /// From then on it is not known to be idle, unless more is heard.
    valid_until: Moment,
    /// Its detectors have not looked at what came in since then.
    unseen_since: Option<Moment>,
    clears_in: Option<Span>,
}

impl Standing {
    const UNKNOWN: Standing = Standing {
        state: State::Unknown,
        outlet: None,
        valid_until: Moment(u64::MAX),
        unseen_since: None,
        clears_in: None,
    };

    fn of(now: Moment, guard: &Guard, permissive: &Permissive, known: Known<'_>) -> Standing {
        let outlet = guard.outlet();
        // One that is on its way there may be at work before it says that it is on; and one that is off works only if
        // that is seen, not because others would need it.
        let still_draws = || guard.incidents().any(|kind| kind == IncidentKind::StillDrawing);
        let is_off = outlet == Some(Switch::Off)
            && !guard.may_draw(now)
            && !still_draws()
            && !known.is_seen_working(now);
        let state = match guard.state(now) {
            _ if is_off => State::Off,
            PermissiveState::Busy => State::Busy,
            PermissiveState::Clear => State::Idle,
            PermissiveState::Unknown => State::Unknown,
        };
        let (valid_until, unseen_since) = match state {
            State::Idle => (permissive.valid_until, permissive.unseen_since),
            // Its outlet may be wrong about itself, and what came in may show it.
            State::Off => (Moment(u64::MAX), permissive.unseen_since),
            State::Busy | State::Unknown => (Moment(u64::MAX), None),
        };
        let clears_in = permissive.clears_in.filter(|_| state == State::Busy);
        Standing { state, outlet, valid_until, unseen_since, clears_in }
    }

    pub(super) fn at(&self, now: Moment) -> State {
        if now >= self.valid_until { State::Unknown } else { self.state }
    }
}

/// A machine that must be on.
#[derive(Clone, Copy)]
pub(super) struct Needed<'a> {
    pub(super) name: &'a Name,
    pub(super) title: &'a str,
    pub(super) outlet: Option<Switch>,
}

impl Needed<'_> {
    /// Why one that needs it may not be switched on, if it may not.
    pub(super) fn lacking(self) -> Option<Arc<str>> {
        let title = self.title;
        match self.outlet {
            Some(Switch::On) => None,
            Some(Switch::Off) => Some(format!("it needs {title}, which is off").into()),
            None => Some(format!("it needs {title}, and nobody can tell whether that is on").into()),
        }
    }
}

/// What one machine knows of those it goes by.
#[derive(Debug, Default)]
pub(super) struct Others(Vec<Other>);

#[derive(Debug)]
struct Other {
    name: Name,
    title: Arc<str>,
    standing: Standing,
    /// Since when it has been at rest without a break, as far as was known.
    at_rest_since: Option<Moment>,
}

impl Others {
    /// Nothing is known of them yet.
    pub(super) fn new(plan: &Plan, machine: &Machine) -> Others {
        let other = |name: &Name| Other {
            name: name.clone(),
            title: plan
                .machine(name.as_str())
                .map_or(name.as_str(), |(_, other)| other.title.as_str())
                .into(),
            standing: Standing::UNKNOWN,
            at_rest_since: None,
        };
        Others(machine.goes_by().into_iter().map(other).collect())
    }

    /// Under new rules. How long one has been at rest is still known; how it stands is told anew.
    pub(super) fn renewed(&self, plan: &Plan, machine: &Machine) -> Others {
        let mut new = Others::new(plan, machine);
        for other in &mut new.0 {
            other.at_rest_since = self.get(&other.name).and_then(|before| before.at_rest_since);
        }
        new
    }

    fn get(&self, name: &Name) -> Option<&Other> {
        self.0.iter().find(|other| other.name == *name)
    }

    fn take(&mut self, now: Moment, name: &Name, standing: Standing) {
        if let Some(other) = self.0.iter_mut().find(|other| other.name == *name) {
            let at_rest = standing.at(now).is_at_rest();
            other.at_rest_since = at_rest.then(|| other.at_rest_since.unwrap_or(now));
            other.standing = standing;
        }
    }

    /// What a detector that holds is worth that reads the state of this machine: no more than is known of it.
    pub(super) fn temper(&self, now: Moment, name: &Name, read: Option<&Value>, worth: &mut Worth) {
        let (title, standing) = match self.get(name) {
            Some(other) => (other.title.as_ref(), other.standing),
            None => (name.as_str(), Standing::UNKNOWN),
        };
        let state = standing.at(now);
        let has_read = matches!(read, Some(Value::Text(word)) if **word == *state.word());
        if worth.verdict != Verdict::Busy && (state == State::Unknown || !has_read) {
            worth.verdict = Verdict::Unknown;
            worth.reason = format!("nobody can tell whether {title} is working").into();
        }
        worth.valid_until = worth.valid_until.min(standing.valid_until);
        worth.unseen_since = earlier(worth.unseen_since, standing.unseen_since);
    }

    /// What it is worth, towards switching off, that other machines need this one.
    pub(super) fn needing(&self, now: Moment, machine: &Machine) -> impl Iterator<Item = Worth> {
        let needed_by = machine.interlocks.needed_by.as_ref();
        let run_on = needed_by.map_or(Span::ZERO, |needed_by| needed_by.run_on);
        let machines = needed_by.into_iter().flat_map(|needed_by| &needed_by.machines);
        machines.map(move |name| self.get(name).map_or_else(unknown, |other| other.needing(now, run_on)))
    }

    /// The machines that must be on before this one is switched on.
    pub(super) fn needed(&self, machine: &Machine) -> impl Iterator<Item = Needed<'_>> {
        let needed = machine.interlocks.needs_on.iter().filter_map(|name| self.get(name));
        needed.map(|Other { name, title, standing, .. }| Needed { name, title, outlet: standing.outlet })
    }

    /// What is to be said of switching it off all the same, while it is needed.
    pub(super) fn left_behind(&self, now: Moment, machine: &Machine) -> Option<Arc<str>> {
        let needed_by = machine.interlocks.needed_by.as_ref()?;
        let title = &self.who_needs(now, needed_by).next()?.title;
        Some(match &needed_by.may_remain {
            Some(what) => format!("{title} may still need it: {what} may remain.").into(),
            None => format!("{title} may still need it.").into(),
        })
    }

    /// Whoever works or may be working, or has just stopped.
    fn who_needs(&self, now: Moment, needed_by: &NeededBy) -> impl Iterator<Item = &Other> {
        let (run_on, machines) = (needed_by.run_on, needed_by.machines.iter());
        let others = machines.filter_map(|name| self.get(name));
        others.filter(move |other| other.needing(now, run_on).verdict != Verdict::Idle)
    }

    /// As grounds of a decision, beside those of the detectors.
    pub(super) fn findings(&self, now: Moment, machine: &Machine) -> impl Iterator<Item = Finding> {
        let finding = |key: &str, role, verdict, reason, clears_in| {
            let detector = Name::new(key).expect("a key of the rules is a name");
            Finding { detector, verdict, reason, role, clears_in, readings: Vec::new() }
        };
        let needing = self.needing(now, machine);
        let needing = needing
            .map(move |worth| finding("needed-by", Role::Hold, worth.verdict, worth.reason, worth.clears_in));
        let lacking = self.needed(machine).filter_map(Needed::lacking);
        let lacking =
            lacking.map(move |reason| finding("needs-on", Role::PermitOn, Verdict::Busy, reason, None));
        needing.chain(lacking)
    }

    /// When a machine has been at rest for long enough.
    pub(super) fn deadline(&self, now: Moment, machine: &Machine) -> Option<Moment> {
        let needed_by = machine.interlocks.needed_by.as_ref()?;
        let others = needed_by.machines.iter().filter_map(|name| self.get(name));
        others.filter_map(|other| Some(other.at_rest_since? + needed_by.run_on)).filter(|at| *at > now).min()
    }
}

impl Other {
    fn needing(&self, now: Moment, run_on: Span) -> Worth {
        let title = &self.title;
        let left = self.at_rest_since.map(|since| Span((since + run_on).0.saturating_sub(now.0)));
        let left = left.filter(|left| *left > Span::ZERO);
        let (verdict, reason, clears_in) = match (self.standing.at(now), left) {
            (State::Busy, _) => {
                let clears_in = self.standing.clears_in.map(|clears_in| clears_in + run_on);
                (Verdict::Busy, format!("{title} is working and needs it"), clears_in)
            }
            (State::Unknown, _) => (
                Verdict::Unknown,
                format!("nobody can tell whether {title}, which needs it, is working"),
                None,
            ),
            (State::Idle | State::Off, Some(left)) => {
                (Verdict::Busy, format!("{title} has stopped and needs it for another {left}"), Some(left))
            }
            (State::Idle | State::Off, None) => (Verdict::Idle, format!("{title} does not need it"), None),
        };
        Worth {
            verdict,
            reason: reason.into(),
            clears_in,
            valid_until: self.standing.valid_until,
            unseen_since: self.standing.unseen_since,
        }
    }
}

fn unknown() -> Worth {
    Worth {
        verdict: Verdict::Unknown,
        reason: "nothing is known of a machine that needs it".into(),
        clears_in: None,
        valid_until: Moment(u64::MAX),
        unseen_since: None,
    }
}

pub(super) fn earlier(one: Option<Moment>, other: Option<Moment>) -> Option<Moment> {
    match (one, other) {
        (Some(one), Some(other)) => Some(one.min(other)),
        (one, other) => one.or(other),
    }
}

/// Who goes by whom.
#[derive(Debug, Default)]
pub(super) struct Followers {
    of: Table<MachineIx, Vec<MachineIx>>,
    /// Every machine after all of those that can hold it.
    leaders_first: Vec<MachineIx>,
}

impl Followers {
    pub(super) fn new(plan: &Plan) -> Followers {
        let mut of: Table<MachineIx, Vec<MachineIx>> = plan.machines.iter().map(|_| Vec::new()).collect();
        for (follower, machine) in indexed(&plan.machines) {
            for (leader, _) in machine.goes_by().into_iter().filter_map(|name| plan.machine(name.as_str())) {
                of[leader].push(follower);
            }
        }
        let mut leaders_first = Vec::with_capacity(plan.machines.len());
        let mut seen = plan.machines.iter().map(|_| false).collect();
        indices(&plan.machines)
            .for_each(|index| after_its_leaders(plan, index, &mut seen, &mut leaders_first));
        Followers { of, leaders_first }
    }
}

/// As deep as machines hold one another in a row, which the rules bound by having no circles.
fn after_its_leaders(
    plan: &Plan,
    index: MachineIx,
    seen: &mut Table<MachineIx, bool>,
    found: &mut Vec<MachineIx>,
) {
    if std::mem::replace(&mut seen[index], true) {
        return;
    }
    for (leader, _) in plan.machines[index].held_by().iter().filter_map(|name| plan.machine(name.as_str())) {
        after_its_leaders(plan, leader, seen, found);
    }
    found.push(index);
}

impl Engine {
    /// Something happened to this machine: those that go by it hear of what that makes of it.
    pub(super) fn tell_followers(&mut self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
        if self.followers.of[index].is_empty() {
            return;
        }
        let leader = &self.machines[index];
        let (name, standing) = (leader.rules().name.clone(), leader.standing(now.moment));
        for at in 0..self.followers.of[index].len() {
            let follower = self.followers.of[index][at];
            if self.machines[follower].has_heard(now.moment, &name, &standing) {
                continue;
            }
            self.with_machine(now, follower, out, |machine, acts, out| {
                machine.hear_of(now, &name, standing, acts, out);
            });
        }
    }

    pub(super) fn tell_all_followers(&mut self, now: Now, out: &mut Vec<Effect>) {
        for index in self.machines.indices() {
            self.tell_followers(now, index, out);
        }
    }

    /// Under new rules: how each machine stands by them is known to those that go by it before any of them does
    /// anything.
    pub(super) fn settle_followers(&mut self, now: Moment) {
        for index in self.followers.leaders_first.clone() {
            let leader = &self.machines[index];
            let (name, standing) = (leader.rules().name.clone(), leader.standing_anew(now));
            for at in 0..self.followers.of[index].len() {
                let follower = self.followers.of[index][at];
                self.machines[follower].others.take(now, &name, standing);
            }
        }
    }
}

impl MachineState {
    pub(super) fn standing(&self, now: Moment) -> Standing {
        Standing::of(now, &self.guard, self.permissive(), self.known())
    }

    /// Titles of the machines that need it, where nothing else holds it: it goes off after them.
    pub(super) fn follows(&self, now: Moment) -> Vec<Arc<str>> {
        let needed_by = self.rules().interlocks.needed_by.as_ref();
        let needed_by =
            needed_by.filter(|_| self.guard.kept_on().is_none() && !self.known().is_held_by_itself(now));
        let needing = needed_by.into_iter().flat_map(|needed_by| self.others.who_needs(now, needed_by));
        needing.map(|other| other.title.clone()).collect()
    }

    fn standing_anew(&self, now: Moment) -> Standing {
        Standing::of(now, &self.guard, &self.merged(now), self.known())
    }

    /// Whether it knows that already.
    fn has_heard(&self, now: Moment, name: &Name, standing: &Standing) -> bool {
        let knows = self.others.get(name).is_some_and(|other| other.standing == *standing);
        let word = standing.at(now).word();
        let read = |signal: &crate::signals::SignalState| matches!(signal.latest().map(|reading| &reading.value), Some(Value::Text(read)) if **read == *word);
        let rules = &self.rules().signals;
        let mut of_it =
            rules.iter().zip(self.signals.iter()).filter(|(rules, _)| rules.of_machine() == Some(name));
        knows && of_it.all(|(_, signal)| read(signal))
    }

    fn hear_of(
        &mut self,
        now: Now,
        name: &Name,
        standing: Standing,
        acts: &mut Vec<guard::Effect>,
        out: &mut Vec<Effect>,
    ) {
        self.others.take(now.moment, name, standing);
        let plan = self.plan.clone();
        let word = Value::Text(standing.at(now.moment).word().into());
        for (signal, _) in
            indexed(&plan.machines[self.index].signals).filter(|(_, rules)| rules.of_machine() == Some(name))
        {
            let state = &mut self.signals[signal];
            if state.latest().is_some_and(|reading| reading.value == word) {
                continue;
            }
            if let Some(reading) = state.accept(word.clone(), now.moment, false) {
                self.show(now, signal, &[reading], out);
            }
        }
        self.refresh_permissive(now, acts);
    }
}
