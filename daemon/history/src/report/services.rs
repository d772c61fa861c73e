//! What is to be done to the machines regularly, and how it stands: from what the journal keeps, so that it is known
//! beside a running guard and without one.

use idlegate_engine::{ServiceStatus, service_status};
use idlegate_guard::time::Now;
use idlegate_journal::JournalReader;
use idlegate_plan::Plan;
use idlegate_plan::text::minute_in_words;

/// A service of a machine.
#[derive(Clone, Debug, PartialEq)]
pub struct ServiceSum {
    pub machine: String,
    pub title: String,
    pub status: ServiceStatus,
}

impl ServiceSum {
    /// "Laser cutter: due: 52 h since the lens was cleaned (every 50 h)", with who did it last.
    pub fn words(&self) -> String {
        let ServiceSum { title, status, .. } = self;
        let due = if status.due { "due: " } else { "" };
        let last = status.by.as_ref().map_or_else(String::new, |by| {
            let by = status.who.as_ref().map_or_else(|| by.to_string(), |who| format!("{who} ({by})"));
            format!("; last on {} by {by}", minute_in_words(status.since))
        });
        format!("{title}: {due}{}{last}", status.words)
    }
}

/// Of every machine of the rules, in their order; what was never counted is left out.
pub fn services(reader: &mut JournalReader, plan: &Plan, now: Now) -> Vec<ServiceSum> {
    if plan.machines.iter().all(|machine| machine.services.is_empty()) {
        return Vec::new();
    }
    let restored = reader.restored(now);
    let mut sums = Vec::new();
    for machine in &plan.machines {
        let Some(kept) = restored.kept.get(&machine.name) else { continue };
        for service in &machine.services {
            let Some(counter) = kept.services.iter().find(|counter| counter.name == service.name) else {
                continue;
            };
            let status = service_status(counter, service, now.wall);
            sums.push(ServiceSum { machine: machine.name.to_string(), title: machine.title.clone(), status });
        }
    }
    sums
}
