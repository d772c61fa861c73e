//! What was heard from the daemon and has not been used by a beat yet.

use std::collections::BTreeMap;

use super::news::{DecisionNews, ToldNews};
use super::scene::Answer;

#[derive(Debug, Default)]
pub(super) struct Heard {
    states: BTreeMap<String, String>,
    decisions: Vec<DecisionNews>,
    told: Vec<ToldNews>,
}

impl Heard {
    pub(super) fn take_in(&mut self, decision: DecisionNews) {
        self.decisions.push(decision);
    }

    pub(super) fn take_in_told(&mut self, told: ToldNews) {
        self.told.push(told);
    }

    pub(super) fn take_in_status(&mut self, machine: String, state: String) {
        self.states.insert(machine, state);
    }

    /// Whether the machine's latest status says this.
    pub(super) fn says(&self, machine: &str, state: &str) -> bool {
        self.states.get(machine).is_some_and(|said| said == state)
    }

    /// Uses up one decision, if it has come.
    pub(super) fn take_answer(&mut self, answer: &Answer) -> bool {
        let fits = |news: &DecisionNews| {
            news.machine == answer.machine && news.decision == answer.decision && news.reason == answer.reason
        };
        let place = self.decisions.iter().position(fits);
        place.map(|place| self.decisions.remove(place)).is_some()
    }

    /// Uses up one announcement or incident, if it has come, as far as it is about this machine.
    pub(super) fn take_told(&mut self, machine: &str, kind: &str) -> bool {
        let of_kind = self.told.iter_mut().filter(|told| told.kind == kind);
        let taken = of_kind.into_iter().any(|told| {
            let place = told.machines.iter().position(|each| each == machine);
            place.map(|place| told.machines.remove(place)).is_some()
        });
        self.told.retain(|told| !told.machines.is_empty());
        taken
    }

    /// Decisions that no beat has asked for.
    pub(super) fn unasked(&self) -> Vec<String> {
        let describe = |news: &DecisionNews| format!("{} {} ({})", news.machine, news.decision, news.reason);
        self.decisions.iter().map(describe).collect()
    }

    /// States last; what was said belongs to its scene.
    pub(super) fn forget_the_scene(&mut self) {
        self.decisions.clear();
        self.told.clear();
    }
}
