//! The sentences of power-threshold. What does not change from reading to reading is put into words only once.

use std::fmt::Write as _;

use idlegate_detector::{Assessment, Verdict, quantity};

use crate::dwell::{Finding, Limits};

/// More than the longest reason, so that writing one takes a single allocation.
const REASON_BYTES: usize = 80;

#[derive(Debug)]
pub(crate) struct Words {
    busy_above: String,
    still_idle: String,
    idle_only: String,
    idle_after: String,
    below: String,
}

impl Words {
    pub(crate) fn new(limits: &Limits) -> Self {
        let (above, below) = (quantity(limits.busy_watts, "W"), quantity(limits.quiet_watts, "W"));
        Words {
            busy_above: format!("busy above {above}"),
            still_idle: format!("still idle up to {above}"),
            idle_only: format!("idle only below {below}"),
            idle_after: format!("idle after {} below {below}", limits.dwell),
            below: format!("below {below}"),
        }
    }

    pub(crate) fn assessment(&self, finding: Finding) -> Assessment {
        match finding {
            Finding::NothingYet => Assessment::unknown("no power reading yet"),
            Finding::Implausible { watts } => about(Verdict::Unknown, watts, " is not a possible draw"),
            Finding::Overdue { since_latest } => {
                Assessment::unknown(format!("no power reading for {}", since_latest.whole_secs()))
            }
            Finding::Above { watts } => about(Verdict::Busy, watts, ", ").and(&self.busy_above),
            Finding::BetweenWhileIdle { watts } => about(Verdict::Idle, watts, ", ").and(&self.still_idle),
            Finding::BetweenWhileBusy { watts } => about(Verdict::Busy, watts, ", ").and(&self.idle_only),
            Finding::BetweenAtFirst { watts } => about(Verdict::Unknown, watts, ", ").and(&self.idle_only),
            Finding::Dwelling { watts, quiet_for, remaining, was_busy } => {
                let verdict = if was_busy { Verdict::Busy } else { Verdict::Unknown };
                about(verdict, watts, " for ")
                    .figure(quiet_for.whole_secs())
                    .and(", ")
                    .and(&self.idle_after)
                    .clears_in(remaining)
            }
            Finding::Idle { watts, quiet_for } => {
                about(Verdict::Idle, watts, ", ").and(&self.below).and(" for ").figure(quiet_for.whole_secs())
            }
        }
    }
}

/// An assessment whose reason begins with the draw.
fn about(verdict: Verdict, watts: f64, then: &str) -> Assessment {
    Assessment::new(verdict, String::with_capacity(REASON_BYTES)).figure(quantity(watts, "W")).and(then)
}

/// Lengthens the reason of an assessment.
trait Sentence {
    fn and(self, text: &str) -> Self;
    fn figure(self, figure: impl std::fmt::Display) -> Self;
}

impl Sentence for Assessment {
    fn and(mut self, text: &str) -> Self {
        self.reason.push_str(text);
        self
    }

    fn figure(mut self, figure: impl std::fmt::Display) -> Self {
        write!(self.reason, "{figure}").expect("writing to a text cannot fail");
        self
    }
}
