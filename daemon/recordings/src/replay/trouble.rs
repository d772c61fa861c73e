//! A detector that failed during a replay, in one line: the first failure, how often, and how it ended.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use idlegate_guard::time::WallTime;
use idlegate_plan::event::{DetectorFault, Name};
use idlegate_plan::text::{counted, rfc3339};

/// What went wrong with the detectors of each machine. A machine whose detectors all answered is not in it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Troubles(BTreeMap<Name, Trouble>);

#[derive(Clone, Debug, PartialEq, Eq)]
struct Trouble {
    first_at: WallTime,
    first: DetectorFault,
    /// Times it was asked and gave no answer.
    unanswered: u64,
    benched_at: Option<WallTime>,
}

impl Troubles {
    pub fn add(&mut self, at: WallTime, machine: &Name, fault: &DetectorFault) {
        let trouble = self.0.entry(machine.clone()).or_insert_with(|| Trouble {
            first_at: at,
            first: fault.clone(),
            unanswered: 0,
            benched_at: None,
        });
        trouble.unanswered += 1;
        if matches!(fault, DetectorFault::Quarantined(_)) {
            trouble.benched_at.get_or_insert(at);
        }
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// One sentence a machine.
    pub fn sentences(&self) -> impl Iterator<Item = String> + '_ {
        self.0.iter().map(|(machine, trouble)| {
            let Trouble { first_at, first, unanswered, benched_at } = trouble;
            let (at, why) = (rfc3339(*first_at), why(first));
            let benched = benched_at
                .map_or(String::new(), |at| format!(", and was taken out of service at {}", rfc3339(at)));
            let failures = counted(*unanswered, "time");
            format!(
                "the detector of {machine} failed at {at}: {why}; it failed to answer {failures}{benched}"
            )
        })
    }

    pub fn to_json(&self) -> impl Iterator<Item = Value> + '_ {
        self.0.iter().map(|(machine, trouble)| {
            json!({
                "machine": machine.as_str(), "failed_at": rfc3339(trouble.first_at), "why": why(&trouble.first),
                "unanswered": trouble.unanswered, "taken_out_at": trouble.benched_at.map(rfc3339),
            })
        })
    }
}

fn why(fault: &DetectorFault) -> &str {
    match fault {
        DetectorFault::NotLoaded(why)
        | DetectorFault::Stopped(why)
        | DetectorFault::FellBehind(why)
        | DetectorFault::Quarantined(why) => why,
    }
}
