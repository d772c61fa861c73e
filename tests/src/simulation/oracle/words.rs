//! In shadow mode nothing is done, and nothing is said as if it had been. Judged by the English of the sentences alone.

use std::collections::BTreeMap;

use idlegate_engine::{Announced, Decided};
use idlegate_guard::{Announcement, Decision, RequestKind};
use idlegate_messages::effects::sentences;

use super::Oracle;

/// What only somebody would say who had done something, or had left something on.
const INDICATIVE: [&str; 20] = [
    "is being",
    "are being",
    "is now",
    "are now",
    "is off",
    "is on.",
    "was switched",
    "were switched",
    "was not",
    "were not",
    "was locked",
    "was unlocked",
    "has locked",
    "has unlocked",
    "was forced",
    "was left",
    "stays",
    "stay on: ",
    "will",
    "To switch it off",
];

/// Nothing if the sentence says clearly that nothing was done.
fn fault(sentence: &str) -> Option<String> {
    if !sentence.starts_with("Shadow: ") {
        return Some("does not say that it is shadow".to_owned());
    }
    if !sentence.contains(" would ") {
        return Some("has no conditional".to_owned());
    }
    let said = INDICATIVE.iter().find(|words| sentence.contains(**words));
    said.map(|words| format!("says {words:?}"))
}

impl Oracle {
    pub(super) fn decided_in_shadow(&mut self, decided: &Decided) {
        let Some(machine) = &decided.machine else { return };
        let emergency = decided.request == Some(RequestKind::EmergencyOff);
        let is_shadow = self.is_in_shadow(machine.as_str()) && !emergency;
        if decided.shadow != is_shadow {
            let (is, decision) = (decided.shadow, decided.decision.word());
            self.violated(format!("shadow: {machine} was answered {decision} with shadow = {is}"));
        }
        self.check(&sentences::decision(decided), is_shadow);
        if emergency && decided.decision == Decision::Acted && decided.shadow {
            self.violated(format!("shadow: an emergency at {machine} was not in earnest"));
        }
    }

    pub(super) fn announced_in_shadow(&mut self, announced: &Announced) {
        let is_shadow = self.is_in_shadow(announced.machine.as_str());
        let is_real = match announced.what {
            Announcement::EmergencyOff { .. }
            | Announcement::EmergencyIgnored { .. }
            | Announcement::EmergencyTooOld { .. }
            | Announcement::FoundPushed { .. }
            | Announcement::StuckInput { .. } => true,
            Announcement::Refused { kind, .. } => kind == RequestKind::EmergencyOff,
            _ => false,
        };
        let expected = is_shadow && !is_real;
        if announced.shadow != expected {
            let (machine, what) = (&announced.machine, announced.what.word());
            self.violated(format!("shadow: {what} of {machine} came with shadow = {}", announced.shadow));
        }
        self.check(&sentences::announcement(announced, &BTreeMap::new()), expected);
    }

    fn is_in_shadow(&self, machine: &str) -> bool {
        self.plan.machine(machine).is_some_and(|(_, machine)| machine.policy.shadow)
    }

    fn check(&mut self, sentence: &str, is_shadow: bool) {
        if is_shadow && let Some(fault) = fault(sentence) {
            self.violated(format!("shadow: {sentence:?} {fault}"));
        }
        if !is_shadow && sentence.contains("Shadow") {
            self.violated(format!("shadow: {sentence:?} was said in earnest"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_indicative_is_noticed_and_a_conditional_is_not() {
        for said in [
            "Mill stays on: 3 W.",
            "Shadow: Mill stays on: 3 W.",
            "Shadow: Mill would be off. It was switched off.",
            "Shadow: Mill is off, as it would be.",
        ] {
            assert!(fault(said).is_some(), "{said}");
        }
        assert_eq!(fault("Shadow: Mill would have stayed on: 120 W, busy above 40 W."), None);
    }
}
