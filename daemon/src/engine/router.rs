//! From a topic to what it feeds. Only topics that the rules name lead anywhere.

use std::collections::HashMap;

use crate::event::Name;
use crate::plan::{InputSource, Plan};
use crate::topic;

/// What a message on a topic is about, by index into the plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Target {
    // In the order in which one message is handed out: readings and states first, so that a request which shares
    // their topic is judged by them.
    Signal { machine: usize, signal: usize },
    OutletState { machine: usize },
    Reach { machine: usize },
    Input { input: usize },
    RequestTopic { input: usize },
}

/// Which queue of the link a topic belongs to, and how it is subscribed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum TopicClass {
    /// Inputs that may raise an emergency: ahead of everything else.
    Emergency,
    /// Requests: never dropped, never taken from the broker's store.
    Request,
    /// Outlet states: never dropped, taken from the store.
    State,
    /// Readings: the newest matter.
    Reading,
}

#[derive(Debug, Default)]
pub(super) struct Router {
    exact: HashMap<String, Vec<Target>>,
    wild: Vec<(String, Target)>,
}

impl Router {
    pub(super) fn new(plan: &Plan) -> Router {
        let mut router = Router::default();
        for (filter, target) in targets(plan) {
            if topic::has_wildcard(&filter) {
                router.wild.push((filter, target));
            } else {
                router.exact.entry(filter).or_default().push(target);
            }
        }
        router.exact.values_mut().for_each(|targets| targets.sort_unstable());
        router.wild.sort_by_key(|(_, target)| *target);
        router
    }

    pub(super) fn targets(&self, topic: &str, found: &mut Vec<Target>) {
        found.clear();
        if let Some(exact) = self.exact.get(topic) {
            found.extend_from_slice(exact);
        }
        if !self.wild.is_empty() {
            let wild = self.wild.iter().filter(|(filter, _)| topic::matches(filter, topic));
            found.extend(wild.map(|(_, target)| *target));
            found.sort_unstable();
        }
    }
}

fn targets(plan: &Plan) -> Vec<(String, Target)> {
    let mut all = Vec::new();
    for (index, machine) in plan.machines.iter().enumerate() {
        let outlet = &machine.outlet;
        all.push((outlet.state.source.filter.clone(), Target::OutletState { machine: index }));
        if let Some(reach) = &outlet.reach {
            all.push((reach.source.filter.clone(), Target::Reach { machine: index }));
        }
        for (signal, rules) in machine.signals.iter().enumerate() {
            all.push((rules.source.filter.clone(), Target::Signal { machine: index, signal }));
        }
    }
    for (index, input) in plan.inputs.iter().enumerate() {
        match &input.source {
            InputSource::Topic { source, .. } => {
                all.push((source.filter.clone(), Target::Input { input: index }));
            }
            InputSource::RequestTopic => {
                let topic = request_topic(&plan.shop.prefix, input.name.as_str());
                all.push((topic, Target::RequestTopic { input: index }));
            }
            InputSource::Schedule(_) => {}
        }
    }
    all
}

/// Where an input without a topic of its own is asked.
pub fn request_topic(prefix: &str, input: &str) -> String {
    format!("{prefix}/request/{input}")
}

/// Every topic filter the rules want, with the most careful class for those that serve several.
pub fn subscriptions(plan: &Plan) -> Vec<(String, TopicClass)> {
    let mut wanted: HashMap<String, TopicClass> = HashMap::new();
    for (filter, target) in targets(plan) {
        let class = class_of(plan, target);
        let entry = wanted.entry(filter).or_insert(class);
        *entry = (*entry).min(class);
    }
    let mut sorted: Vec<_> = wanted.into_iter().collect();
    sorted.sort();
    sorted
}

/// Where emergencies are declared, and by which input.
pub fn emergency_topics(plan: &Plan) -> Vec<(String, Name)> {
    let inputs = targets(plan).into_iter().filter_map(|(filter, target)| match target {
        Target::Input { input } | Target::RequestTopic { input } => Some((filter, &plan.inputs[input])),
        Target::Signal { .. } | Target::OutletState { .. } | Target::Reach { .. } => None,
    });
    let declared = inputs.filter(|(_, input)| input.rights.emergency);
    declared.map(|(filter, input)| (filter, input.name.clone())).collect()
}

fn class_of(plan: &Plan, target: Target) -> TopicClass {
    match target {
        Target::Input { input } | Target::RequestTopic { input } => {
            if plan.inputs[input].rights.emergency {
                TopicClass::Emergency
            } else {
                TopicClass::Request
            }
        }
        Target::OutletState { .. } | Target::Reach { .. } => TopicClass::State,
        Target::Signal { .. } => TopicClass::Reading,
    }
}

/// Says what a topic is about, by one look.
#[derive(Debug)]
pub struct Classes {
    exact: HashMap<String, TopicClass>,
    wild: Vec<(String, TopicClass)>,
}

impl Classes {
    pub fn new(plan: &Plan) -> Classes {
        let (wild, exact): (Vec<_>, Vec<_>) =
            subscriptions(plan).into_iter().partition(|(filter, _)| topic::has_wildcard(filter));
        Classes { exact: exact.into_iter().collect(), wild }
    }

    /// Nothing for a topic that the rules do not name.
    pub fn class(&self, topic: &str) -> Option<TopicClass> {
        let exact = self.exact.get(topic).copied();
        let wild =
            self.wild.iter().filter(|(filter, _)| topic::matches(filter, topic)).map(|(_, class)| *class);
        exact.into_iter().chain(wild).min()
    }
}
