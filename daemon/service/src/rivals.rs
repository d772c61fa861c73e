//! Other guards that say that they guard a machine of ours: rules folders that are out of step, or a daemon that
//! somebody forgot to stop. Two guards for one machine answer everything twice and may switch against each other, so
//! both tell people.

use std::collections::{BTreeMap, BTreeSet};

use idlegate_guard::time::{Moment, Span};
use idlegate_messages::Health;
use idlegate_plan::Plan;
use idlegate_plan::event::Name;

/// While a machine is moved, the daemon that gives it up may read its rules a little later.
const GRACE: Span = Span::secs(10);
/// A guard says that it guards twice a minute at least.
const FORGET_AFTER: Span = Span::secs(75);
/// Whoever may write there could invent guards without end.
const RIVALS_MAX: usize = 64;

#[derive(Debug, Default)]
pub(super) struct Rivals {
    /// By instance.
    claims: BTreeMap<String, Claim>,
    told: BTreeSet<Name>,
}

#[derive(Debug)]
struct Claim {
    topic: String,
    since: Moment,
    heard: Moment,
    machines: BTreeSet<Name>,
}

/// What is to be told.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Change {
    pub(super) machines: Vec<Name>,
    pub(super) over: bool,
}

impl Rivals {
    /// What another guard says of itself, as it says it. Whether it is one that was not there before: then it should
    /// hear of us, too.
    pub(super) fn hear(&mut self, now: Moment, topic: &str, health: &Health, plan: &Plan) -> bool {
        let Some(health) = health.guarding() else {
            self.claims.retain(|_, claim| claim.topic != topic);
            return false;
        };
        let instance = health.instance.as_deref().unwrap_or(topic).chars().take(64).collect::<String>();
        let named = health.machines.iter().filter_map(|name| Name::new(name).ok());
        let machines: BTreeSet<Name> = named.filter(|name| plan.machine(name.as_str()).is_some()).collect();
        if machines.is_empty() {
            self.claims.remove(&instance);
            return false;
        }
        if let Some(claim) = self.claims.get_mut(&instance) {
            (claim.heard, claim.machines) = (now, machines);
            return false;
        }
        if self.claims.len() >= RIVALS_MAX {
            return false;
        }
        let claim = Claim { topic: topic.to_owned(), since: now, heard: now, machines };
        self.claims.insert(instance, claim);
        true
    }

    /// To be asked once a second.
    pub(super) fn change(&mut self, now: Moment, plan: &Plan) -> Option<Change> {
        self.claims.retain(|_, claim| now.since(claim.heard) < FORGET_AFTER);
        let lasting = self.claims.values().filter(|claim| now.since(claim.since) >= GRACE);
        let ours = |name: &&Name| plan.machine(name.as_str()).is_some();
        let disputed: BTreeSet<Name> =
            lasting.flat_map(|claim| &claim.machines).filter(ours).cloned().collect();
        if disputed.is_empty() {
            let told = std::mem::take(&mut self.told);
            return (!told.is_empty()).then(|| Change { machines: told.into_iter().collect(), over: true });
        }
        if disputed.is_subset(&self.told) {
            return None;
        }
        self.told.extend(disputed);
        Some(Change { machines: self.told.iter().cloned().collect(), over: false })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_detectors::Execution;
    use idlegate_detectors::Modules;
    use idlegate_messages::Guarding;
    use idlegate_rules::{Surroundings, SystemSecrets, compile, load};

    fn plan() -> Plan {
        let dir = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/workshop");
        let modules = Modules::new(Execution::Automatic, None).unwrap();
        let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
        compile(&load(std::path::Path::new(dir)), &around).unwrap().plan
    }

    #[test]
    fn two_that_guard_one_machine_for_longer_than_a_move_takes_are_told_and_so_is_the_end() {
        let plan = plan();
        let ours = plan.machines[0].name.clone();
        let claims = |machines: Vec<String>| {
            let instance = Some("7".to_owned());
            Health::Guarding(Box::new(Guarding { instance, machines, ..Guarding::default() }))
        };
        let both = claims(vec![ours.to_string(), "another".to_owned()]);
        let mut rivals = Rivals::default();
        assert!(!rivals.hear(Moment(0), "t", &claims(vec!["another".to_owned()]), &plan));
        assert!(rivals.hear(Moment(0), "t", &both, &plan));
        assert_eq!(rivals.change(Moment(9_999), &plan), None);
        assert!(!rivals.hear(Moment(9_000), "t", &both, &plan));
        let told = rivals.change(Moment(10_000), &plan);
        assert_eq!(told, Some(Change { machines: vec![ours.clone()], over: false }));
        assert_eq!(rivals.change(Moment(11_000), &plan), None, "once");
        let over = Some(Change { machines: vec![ours.clone()], over: true });
        rivals.hear(Moment(12_000), "t", &claims(Vec::new()), &plan);
        assert_eq!(rivals.change(Moment(12_000), &plan), over);
        // A silent one is forgotten, one that has gone at once.
        for (end, at) in [(None, 100_000), (Some(Health::Gone { version: String::new() }), 30_000)] {
            let mut rivals = Rivals::default();
            rivals.hear(Moment(0), "t", &both, &plan);
            assert!(rivals.change(Moment(10_000), &plan).is_some());
            if let Some(end) = end {
                rivals.hear(Moment(20_000), "t", &end, &plan);
            }
            assert_eq!(rivals.change(Moment(at), &plan), over);
        }
    }
}
