//! What one machine's guard wants said, and what people need not hear: that it is the tenth outlet to be lost at once,
//! or that a request is refused which was refused a moment ago. Left out here, before any of it is put into words.

use super::core::Engine;
use idlegate_guard::time::Now;
use idlegate_guard::{self as guard, Announcement, IncidentKind};
use idlegate_plan::MachineIx;

impl Engine {
    pub(super) fn leave_unsaid(&mut self, now: Now, index: MachineIx, acts: &mut Vec<guard::Effect>) {
        acts.retain(|act| match act {
            guard::Effect::Incident(incident) if incident.kind == IncidentKind::OffByAnotherRoute => {
                if !self.machines[index].guard.policy().shadow {
                    return self.went_off(now, index, incident.urgent);
                }
                // It waits whether a request comes that it answers, unless one has come.
                if !self.is_awaited(now.moment, index, incident.kind) {
                    self.lost_untold(now, index, incident.urgent);
                }
                true
            }
            guard::Effect::IncidentOver(IncidentKind::OffByAnotherRoute) => self.came_back(index),
            guard::Effect::Announce(what) => !self.was_refused_just_now(now, index, *what),
            guard::Effect::Order(_)
            | guard::Effect::Refresh
            | guard::Effect::Keep(_)
            | guard::Effect::Answer(_)
            | guard::Effect::DeferralActed(_)
            | guard::Effect::Incident(_)
            | guard::Effect::IncidentOver(_) => true,
        });
    }

    /// Who may not do something is told so once, however often it is tried: such a request takes no place in the
    /// guard's own memory of gestures.
    fn was_refused_just_now(&mut self, now: Now, index: MachineIx, what: Announcement) -> bool {
        let Announcement::Refused { input, kind, reason } = what else { return false };
        if !reason.is_lack_of_rights() {
            return false;
        }
        let machine = &mut self.machines[index];
        let within = machine.rules().policy.repeat_guard;
        let before = machine.refused.insert(input, (kind, reason, now.moment));
        before.is_some_and(|(of, why, at)| of == kind && why == reason && now.moment.since(at) < within)
    }
}
