//! Several outlets lost at once are one incident of the shop: the mains, the hub or the radio is gone, and nobody has
//! been at each of them. The first of them is told as ever, at once; those that follow are folded into one incident, which
//! is over when all of them are back.
//!
//! A link of our own that drops is no loss of outlets: what they do then is out of our sight, not theirs.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Effect, OutletsLost};
use crate::event::Name;
use crate::guard::IncidentKind;
use crate::time::{Moment, Now, Span};

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
    pub(super) fn went_off(&mut self, now: Now, index: usize, urgent: bool) -> bool {
        let (machine, title) = self.machine_names(index);
        self.outage.note(now.moment, machine, title, urgent)
    }

    /// Its own incident is over. Says whether that should be told of it alone.
    pub(super) fn came_back(&mut self, index: usize) -> bool {
        let (machine, _) = self.machine_names(index);
        let folded = self.outage.folded.iter().position(|each| *each == machine);
        folded.map(|at| self.outage.folded.swap_remove(at)).is_none()
    }

    /// An outlet can no longer be seen, though our link is up. One alone is shown in its status, and no incident.
    pub(super) fn went_out_of_sight(&mut self, now: Now, index: usize) {
        let (machine, title) = self.machine_names(index);
        let outage = &mut self.outage;
        if outage.recent.is_empty() {
            outage.since = now.moment;
        }
        if !outage.recent.iter().any(|lost| lost.machine == machine) {
            outage.recent.push(Lost { machine, title, urgent: false, told: false });
        }
    }

    pub(super) fn look_at_outage(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.outage.deadline().is_some_and(|due| due <= now.moment) {
            let lost = std::mem::take(&mut self.outage.recent);
            if lost.len() > 1 {
                let urgent = lost.iter().any(|lost| lost.urgent);
                self.outage.open.extend(lost.iter().map(|lost| lost.machine.clone()));
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

    /// In sight, and not left off by whatever took it off. A machine that has left the rules is nobody's loss.
    fn is_back(&self, machine: &Name) -> bool {
        let found = self.machines.iter().find(|each| each.rules().name == *machine);
        found.is_none_or(|each| {
            each.guard.outlet().is_some()
                && !each.guard.incidents().any(|kind| kind == IncidentKind::OffByAnotherRoute)
        })
    }

    fn machine_names(&self, index: usize) -> (Name, Arc<str>) {
        let machine = &self.machines[index];
        (machine.rules().name.clone(), machine.title.clone())
    }
}
