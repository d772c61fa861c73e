//! From a topic to what it feeds. Only topics that the rules name lead anywhere.

use std::collections::HashMap;

use crate::signals::sign_filter;
use idlegate_plan::event::Name;
use idlegate_plan::{Contact, InputIx, InputSource, MachineIx, Plan, SignalIx, indexed, topic};

/// What a message on a topic is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Target {
    // In the order in which one message is handed out: readings and states first, so that a request which shares
    // their topic is judged by them.
    Signal {
        machine: MachineIx,
        signal: SignalIx,
    },
    // Behind the readings: one message may be both, and then it is a sign that follows its reading.
    Sign {
        machine: MachineIx,
        signal: SignalIx,
    },
    OutletState {
        machine: MachineIx,
    },
    Reach {
        machine: MachineIx,
    },
    Input {
        input: InputIx,
    },
    RequestTopic {
        input: InputIx,
    },
    Battery {
        input: InputIx,
    },
    /// What is sent to its outlet, by us or by others.
    Order {
        machine: MachineIx,
    },
}

/// Which queue of the link a topic belongs to, and how it is subscribed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum TopicClass {
    /// Emergency contacts with a position: ahead of everything else, too, and their position is taken from the store.
    Contact,
    /// Inputs that may raise an emergency: ahead of everything else.
    Emergency,
    /// Requests: never dropped, never taken from the broker's store.
    Request,
    /// Outlet states, and readings that come only when they change: never dropped, taken from the store.
    State,
    /// Readings: the newest matter.
    Reading,
    /// Orders: ours come back, and those of others are noticed. One that lies in the store is wanted most of all.
    Order,
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
    for (index, machine) in indexed(&plan.machines) {
        let outlet = &machine.outlet;
        if let Some(state) = &outlet.state {
            all.push((state.source.filter.clone(), Target::OutletState { machine: index }));
        }
        if let Some(order) = &outlet.order {
            all.push((order.topic.clone(), Target::Order { machine: index }));
        }
        if let Some(reach) = &outlet.reach {
            all.push((reach.source.filter.clone(), Target::Reach { machine: index }));
        }
        for (signal, rules) in indexed(&machine.signals) {
            let readings =
                rules.filter().map(|filter| (filter.to_owned(), Target::Signal { machine: index, signal }));
            all.extend(readings);
            let sign = sign_filter(rules, outlet);
            all.extend(sign.map(|sign| (sign.to_owned(), Target::Sign { machine: index, signal })));
        }
    }
    for (index, input) in indexed(&plan.inputs) {
        match &input.source {
            InputSource::Topic { source, .. } | InputSource::Contact(Contact { source, .. }) => {
                all.push((source.filter.clone(), Target::Input { input: index }));
            }
            InputSource::RequestTopic => {
                let topic = request_topic(&plan.shop.prefix, input.name.as_str());
                all.push((topic, Target::RequestTopic { input: index }));
            }
            InputSource::Schedule(_) => {}
        }
        if let Some(battery) = &input.battery {
            all.push((battery.source.filter.clone(), Target::Battery { input: index }));
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
        Target::Signal { .. }
        | Target::Sign { .. }
        | Target::OutletState { .. }
        | Target::Reach { .. }
        | Target::Battery { .. }
        | Target::Order { .. } => None,
    });
    let declared = inputs.filter(|(_, input)| input.rights.emergency);
    declared.map(|(filter, input)| (filter, input.name.clone())).collect()
}

fn class_of(plan: &Plan, target: Target) -> TopicClass {
    match target {
        Target::Input { input } | Target::RequestTopic { input } => {
            let input = &plan.inputs[input];
            if matches!(input.source, InputSource::Contact(_)) {
                TopicClass::Contact
            } else if input.rights.emergency {
                TopicClass::Emergency
            } else {
                TopicClass::Request
            }
        }
        Target::OutletState { .. } | Target::Reach { .. } | Target::Battery { .. } => TopicClass::State,
        // A change that is dropped would not be made up for by the next reading.
        Target::Signal { machine, signal }
            if plan.machines[machine].signals[signal].on_change().is_some() =>
        {
            TopicClass::State
        }
        Target::Order { .. } => TopicClass::Order,
        Target::Signal { .. } | Target::Sign { .. } => TopicClass::Reading,
    }
}

/// Says what a topic is about, by one look.
#[derive(Debug)]
pub struct Classes {
    exact: HashMap<String, (TopicClass, Option<Name>)>,
    wild: Vec<(String, (TopicClass, Option<Name>))>,
}

impl Classes {
    pub fn new(plan: &Plan) -> Classes {
        let mut sources: HashMap<String, Option<Name>> = HashMap::new();
        for (filter, target) in targets(plan) {
            let input = match target {
                Target::Input { input } | Target::RequestTopic { input } => {
                    Some(plan.inputs[input].name.clone())
                }
                // Beside a gesture in one message it takes nothing from it.
                Target::Battery { .. } => continue,
                Target::Signal { .. }
                | Target::Sign { .. }
                | Target::OutletState { .. }
                | Target::Reach { .. }
                | Target::Order { .. } => None,
            };
            let source = sources.entry(filter).or_insert_with(|| input.clone());
            *source = source.take().filter(|_| input.is_some());
        }
        let known = subscriptions(plan).into_iter().map(|(filter, class)| {
            let input = sources.get(&filter).cloned().flatten();
            (filter, (class, input))
        });
        let (wild, exact): (Vec<_>, Vec<_>) = known.partition(|(filter, _)| topic::has_wildcard(filter));
        Classes { exact: exact.into_iter().collect(), wild }
    }

    /// And the input, where a topic is nothing but an input's. Nothing for a topic that the rules do not name.
    pub fn class(&self, topic: &str) -> Option<(TopicClass, Option<&Name>)> {
        let exact = self.exact.get(topic);
        let wild =
            self.wild.iter().filter(|(filter, _)| topic::matches(filter, topic)).map(|(_, known)| known);
        let all = exact.into_iter().chain(wild).map(|(class, input)| (*class, input.as_ref()));
        all.reduce(|(class, input), (other, another)| (class.min(other), input.filter(|_| another.is_some())))
    }
}
