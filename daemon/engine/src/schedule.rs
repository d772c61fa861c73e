//! From schedules that are due to requests. Nothing here reads a clock: the wall time comes with the event.

use std::sync::Arc;

use jiff::Timestamp;

use super::core::{Engine, Former};
use super::effect::Effect;
use super::machine::Asked;
use super::status::NextFiring;
use idlegate_guard::Arrival;
use idlegate_guard::time::{Now, WallTime};
use idlegate_plan::event::Name;
use idlegate_plan::schedules::Watch;
use idlegate_plan::{InputIx, InputSource, MachineIx, Plan, indexed};

/// A schedule under watch, and the input it is.
#[derive(Debug)]
pub(super) struct Scheduled {
    input: InputIx,
    name: Name,
    watch: Watch,
    /// When it fires next, as of the last look at the clock.
    next: Option<WallTime>,
}

pub(super) fn watches(plan: &Plan, former: &Former) -> Vec<Scheduled> {
    let mut watches = Vec::new();
    for (input, rules) in indexed(&plan.inputs) {
        if let InputSource::Schedule(schedule) = &rules.source {
            let watch = Watch::new(schedule.timetable.clone(), schedule.make_up_missed);
            let mut scheduled = Scheduled { input, name: rules.name.clone(), watch, next: None };
            scheduled.recall(former);
            watches.push(scheduled);
        }
    }
    watches
}

/// The watches for new rules: a schedule that is the same goes on, so that nothing fires twice and nothing is missed.
pub(super) fn carried_over(mut watched: Vec<Scheduled>, before: &Plan, plan: &Plan) -> Vec<Scheduled> {
    let mut watches = self::watches(plan, &Former::default());
    for scheduled in &mut watches {
        let same = |old: &Scheduled| {
            old.name == scheduled.name
                && before.inputs[old.input].source == plan.inputs[scheduled.input].source
        };
        if let Some(place) = watched.iter().position(same) {
            scheduled.watch = watched.swap_remove(place).watch;
        }
    }
    watches
}

impl Scheduled {
    fn recall(&mut self, former: &Former) {
        for answered in former.answered.iter().filter(|answered| answered.input == self.name) {
            if let Ok(instant) = answered.id.parse::<Timestamp>() {
                self.watch.recall(WallTime(instant.as_millisecond()));
            }
        }
    }
}

impl Engine {
    pub(super) fn recall_schedules(&mut self, former: &Former) {
        self.schedules.iter_mut().for_each(|scheduled| scheduled.recall(former));
    }

    pub(super) fn look_at_schedules(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.schedules_look.is_none_or(|at| at > now.moment) {
            return;
        }
        for index in 0..self.schedules.len() {
            let scheduled = &mut self.schedules[index];
            if let Some(instant) = scheduled.watch.due(now) {
                let input = scheduled.input;
                self.fire(now, input, instant, out);
            }
        }
        self.tell_next_firings(now, out);
        let next = self.schedules.iter().map(|scheduled| scheduled.watch.next_look(now)).min();
        self.schedules_look = next.map(|wait| now.moment + wait);
    }

    fn tell_next_firings(&mut self, now: Now, out: &mut Vec<Effect>) {
        for scheduled in &mut self.schedules {
            let next = scheduled.watch.next(now);
            if std::mem::replace(&mut scheduled.next, next) != next {
                let machines = self.plan.inputs[scheduled.input].machines.iter();
                let names = machines.map(|machine| self.plan.machines[*machine].name.clone());
                out.extend(names.map(|machine| Effect::Status { machine }));
            }
        }
    }

    /// What the wall clock will ask of this machine next.
    pub(super) fn next_firing(&self, machine: MachineIx) -> Option<NextFiring> {
        let concerned = self.schedules.iter().filter_map(|scheduled| {
            let input = &self.plan.inputs[scheduled.input];
            let InputSource::Schedule(schedule) = &input.source else { return None };
            let at = scheduled.next.filter(|_| input.machines.contains(&machine))?;
            Some(NextFiring { at, by: scheduled.name.clone(), request: schedule.request })
        });
        concerned.min_by_key(|firing| firing.at)
    }

    /// One request for each machine of the schedule. The scheduled instant is its id, so that it is answered once
    /// even across restarts.
    fn fire(&mut self, now: Now, index: InputIx, instant: WallTime, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let InputSource::Schedule(schedule) = &input.source else { return };
        let Ok(instant) = Timestamp::from_millisecond(instant.0) else { return };
        let gesture = Name::new(schedule.request.word()).expect("every request's word is a name");
        let event_id: Option<Arc<str>> = Some(instant.to_string().into());
        let asked = Asked::plain(input.name.clone(), gesture, event_id);
        if self.is_answered(now, schedule.request, input.rights, &asked).is_some() {
            return;
        }
        for machine in &input.machines {
            self.ask(now, *machine, index, schedule.request, asked.clone(), Arrival::LIVE, out);
        }
    }
}
