//! What is counted over a life, and over many.

use std::collections::BTreeMap;

use idlegate_guard::time::Span;
use serde_json::{Value as Json, json};

type Counts = BTreeMap<&'static str, u64>;

#[derive(Clone, Debug, Default)]
pub struct Figures {
    pub simulated: Span,
    pub events: u64,
    pub readings: u64,
    pub faults: Counts,
    pub requests: Counts,
    pub decisions: Counts,
    pub orders: Counts,
    pub duties: Counts,
    pub cuts: Counts,
    pub jobs_begun: u64,
    pub jobs_done: u64,
    /// Jobs during which at least one off was held back or deferred.
    pub jobs_protected: u64,
    /// So often a machine was seen to go back to work after it had counted as idle.
    pub went_back: u64,
    /// And so many offs of idle machines were held back for that.
    pub held_longer: u64,
    /// The longest time a cut job had run unseen by a sound meter.
    pub unseen_max: Span,
    /// Jobs on record, by how they ended.
    pub job_ends: Counts,
    pub job_ends_judged: u64,
    /// Their meter, their outlet or the clock was not to be relied on.
    pub job_ends_excused: u64,
    pub emergencies: u64,
    pub emergencies_refused: u64,
}

/// How a job can lose its power, in the order in which they are told.
pub const BY_FORCE: &str = "forced";
pub const BY_EMERGENCY: &str = "by emergency";
pub const BY_ANOTHER_ROUTE: &str = "by another route";
/// The job had begun so shortly before that no meter could have told.
pub const UNSEEN: &str = "begun unseen";
/// The meter lied, was silenced, or its readings were lost.
pub const METER_LIED: &str = "meter lied";
/// None of these: the guard's own fault.
pub const WRONGLY: &str = "wrongly";

impl Figures {
    pub fn count(counts: &mut Counts, what: &'static str) {
        *counts.entry(what).or_default() += 1;
    }

    pub fn add(&mut self, other: &Figures) {
        self.simulated = self.simulated + other.simulated;
        self.events += other.events;
        self.readings += other.readings;
        for (mine, theirs) in [
            (&mut self.faults, &other.faults),
            (&mut self.requests, &other.requests),
            (&mut self.decisions, &other.decisions),
            (&mut self.orders, &other.orders),
            (&mut self.duties, &other.duties),
            (&mut self.cuts, &other.cuts),
            (&mut self.job_ends, &other.job_ends),
        ] {
            for (what, count) in theirs {
                *mine.entry(what).or_default() += count;
            }
        }
        self.job_ends_judged += other.job_ends_judged;
        self.job_ends_excused += other.job_ends_excused;
        self.jobs_begun += other.jobs_begun;
        self.jobs_done += other.jobs_done;
        self.jobs_protected += other.jobs_protected;
        self.went_back += other.went_back;
        self.held_longer += other.held_longer;
        self.unseen_max = self.unseen_max.max(other.unseen_max);
        self.emergencies += other.emergencies;
        self.emergencies_refused += other.emergencies_refused;
    }

    pub fn cut(&self, how: &str) -> u64 {
        self.cuts.get(how).copied().unwrap_or_default()
    }

    pub fn simulated_hours(&self) -> u64 {
        self.simulated.0 / 3_600_000
    }

    pub fn lines(&self) -> Vec<String> {
        let list = |counts: &Counts| {
            let parts: Vec<_> = counts.iter().map(|(what, count)| format!("{what} {count}")).collect();
            if parts.is_empty() { "none".to_owned() } else { parts.join(", ") }
        };
        vec![
            format!("faults    {}", list(&self.faults)),
            format!("requests  {}", list(&self.requests)),
            format!("decisions {}", list(&self.decisions)),
            format!("orders  {}", list(&self.orders)),
            format!("duties    {}", list(&self.duties)),
            format!(
                "jobs      begun {}, done {}, protected {}",
                self.jobs_begun, self.jobs_done, self.jobs_protected
            ),
            format!(
                "silences  went back to work {}, for which an off of an idle machine was held {}",
                self.went_back, self.held_longer
            ),
            format!(
                "jobs cut  wrongly {}, {UNSEEN} {} (longest {}), {METER_LIED} {}, {BY_FORCE} {}, {BY_EMERGENCY} {}, {BY_ANOTHER_ROUTE} {}",
                self.cut(WRONGLY),
                self.cut(UNSEEN),
                self.unseen_max,
                self.cut(METER_LIED),
                self.cut(BY_FORCE),
                self.cut(BY_EMERGENCY),
                self.cut(BY_ANOTHER_ROUTE)
            ),
            format!(
                "job ends  {}; judged {}, excused {}",
                list(&self.job_ends),
                self.job_ends_judged,
                self.job_ends_excused
            ),
        ]
    }

    pub fn json(&self) -> Json {
        json!({
            "simulated_hours": self.simulated_hours(),
            "events": self.events,
            "readings": self.readings,
            "faults": self.faults,
            "requests": self.requests,
            "decisions": self.decisions,
            "orders": self.orders,
            "duties": self.duties,
            "jobs": {
                "begun": self.jobs_begun,
                "done": self.jobs_done,
                "protected": self.jobs_protected,
                "cut": self.cuts,
                "wrongly_cut": self.cut(WRONGLY),
                "unseen_max_ms": self.unseen_max.0,
            },
            "silences": { "went_back": self.went_back, "held_longer": self.held_longer },
            "job_ends": {
                "on_record": self.job_ends,
                "judged": self.job_ends_judged,
                "excused": self.job_ends_excused,
            },
            "emergencies": self.emergencies,
            "emergencies_refused": self.emergencies_refused,
        })
    }
}
