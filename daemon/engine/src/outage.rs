//! Several outlets lost at once are one incident of the shop: the mains, the hub or the radio is gone, and nobody has
//! been at each of them. The first of them is told as ever, at once; those that follow are folded into one incident,
//! which is over when all of them are back.
//!
//! A link of our own that drops is no loss of outlets: what they do then is out of our sight, not theirs.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Effect, OutletsLost};
use idlegate_guard::IncidentKind;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::MachineIx;
use idlegate_plan::event::Name;

/// Losses this close to the first belong together.
const TOGETHER: Span = Span::secs(2);

#[derive(Debug, Default)]
pub(super) struct Outage {
    /// Losses that may turn out to belong together.
    recent: Vec<Lost>,
    /// When the first of them came.
    since: Moment,
    /// Those of the incident that has been told.
    open: Vec<Name>,
    /// Machines whose own incident was folded into it, so that its end is not told either.
    folded: Vec<Name>,
}

#[derive(Debug)]
struct Lost {
    machine: Name,
    title: Arc<str>,
    /// It may have been working.
    urgent: bool,
    told: bool,
}

impl Outage {
    /// Whether it was told together with others, and is not back.
    pub(super) fn is_told(&self, machine: &Name) -> bool {
        self.open.contains(machine)
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        (!self.recent.is_empty()).then(|| self.since + TOGETHER)
    }

    /// Takes note of a loss. Says whether its own incident should be told now.
    fn note(&mut self, now: Moment, machine: Name, title: Arc<str>, urgent: bool) -> bool {
        if self.recent.is_empty() {
            self.since = now;
        }
        if self.recent.iter().any(|lost| lost.machine == machine) {
            return true;
        }
        let as_bad = |lost: &Lost| lost.told && (lost.urgent || !urgent);
        let told = !self.recent.iter().any(as_bad);
        if !told {
            self.folded.push(machine.clone());
        }
        self.recent.push(Lost { machine, title, urgent, told });
        told
    }
}

impl Engine {
    /// An outlet went off by another route. Says whether that should be told of it alone.
    pub(super) fn went_off(&mut self, now: Now, index: MachineIx, urgent: bool) -> bool {
        let (machine, title) = self.machines[index].names();
        self.outage.note(now.moment, machine, title, urgent)
    }

    /// It was somebody's press after all.
    pub(super) fn no_outage_of(&mut self, index: MachineIx) {
        let machine = self.machine_name(index);
        self.outage.recent.retain(|lost| lost.machine != machine);
    }

    /// Whether its own incident, which waited in shadow mode, belongs to an outage that has been told.
    pub(super) fn is_lost_with_others(&self, index: MachineIx) -> bool {
        self.outage.open.contains(&self.machine_name(index))
    }

    /// Its own incident is over. Says whether that should be told of it alone.
    pub(super) fn came_back(&mut self, index: MachineIx) -> bool {
        let (machine, _) = self.machines[index].names();
        let folded = self.outage.folded.iter().position(|each| *each == machine);
        folded.map(|at| self.outage.folded.swap_remove(at)).is_none()
    }

    /// An outlet can no longer be seen, though our link is up. One alone is shown in its status, and no incident.
    pub(super) fn went_out_of_sight(&mut self, now: Now, index: MachineIx) {
        self.lost_untold(now, index, false);
    }

    /// One is lost and not told of now: others that are lost with it are told as if it had not been.
    pub(super) fn lost_untold(&mut self, now: Now, index: MachineIx, urgent: bool) {
        let (machine, title) = self.machines[index].names();
        let outage = &mut self.outage;
        if outage.recent.is_empty() {
            outage.since = now.moment;
        }
        if !outage.recent.iter().any(|lost| lost.machine == machine) {
            outage.recent.push(Lost { machine, title, urgent, told: false });
        }
    }

    pub(super) fn look_at_outage(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.outage.deadline().is_some_and(|due| due <= now.moment) {
            let lost = std::mem::take(&mut self.outage.recent);
            if lost.len() > 1 {
                let urgent = lost.iter().any(|lost| lost.urgent);
                self.outage.open.extend(lost.iter().map(|lost| lost.machine.clone()));
                self.may_have_lost_power(lost.iter().map(|lost| &lost.machine));
                let machines = lost.into_iter().map(|lost| (lost.machine, lost.title)).collect();
                out.push(Effect::OutletsLost(OutletsLost { at: now, machines, urgent, over: false }));
            }
        }
        if self.outage.open.is_empty() || !self.outage.open.iter().all(|machine| self.is_back(machine)) {
            return;
        }
        let names = std::mem::take(&mut self.outage.open);
        let titled = names.into_iter().filter_map(|name| {
            let (_, machine) = self.plan.machine(name.as_str())?;
            Some((name, machine.title.as_str().into()))
        });
        let machines = titled.collect();
        out.push(Effect::OutletsLost(OutletsLost { at: now, machines, urgent: false, over: true }));
    }

    /// Those that are out of sight now, as several are: should one be found off, its power was lost.
    fn may_have_lost_power<'a>(&mut self, lost: impl Iterator<Item = &'a Name>) {
        for machine in lost {
            let Some((index, _)) = self.plan.machine(machine.as_str()) else { continue };
            let machine = &mut self.machines[index];
            if machine.guard.outlet().is_none() {
                machine.jobs.lost_with_others();
            }
        }
    }

    /// In sight, and not left off by whatever took it off. A machine that has left the rules is nobody's loss.
    fn is_back(&self, machine: &Name) -> bool {
        let found = self.plan.machine(machine.as_str());
        found.is_none_or(|(index, _)| {
            let each = &self.machines[index];
            each.guard.outlet().is_some()
                && !each.guard.incidents().any(|kind| kind == IncidentKind::OffByAnotherRoute)
        })
    }
}
