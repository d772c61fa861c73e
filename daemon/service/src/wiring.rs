//! How the plan becomes subscriptions of the link.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use idlegate_engine::{Classes, TopicClass, emergency_topics, subscriptions};
use idlegate_link::{BadFilter, Class, Classifier, Filter, Lane, Purpose};
use idlegate_messages::effects::messages::Topics;
use idlegate_plan::Plan;

/// What the broker is asked for. Every guard listens for others that guard its machines; one of several hears of their
/// lockouts, too.
pub(super) fn wanted(plan: &Plan, one_of_several: bool) -> Result<Vec<(Filter, Purpose)>, BadFilter> {
    let topics = Topics::of(&plan.shop);
    let ours = [topics.all_health()].into_iter().chain(one_of_several.then(|| topics.kept("+")));
    let ours = ours.map(|filter| Ok((Filter::new(&filter)?, Purpose::State)));
    let of_rules = subscriptions(plan).into_iter().map(|(filter, class)| {
        let kind = match class {
            TopicClass::Emergency | TopicClass::Request => Purpose::Input,
            TopicClass::Contact | TopicClass::State | TopicClass::Reading | TopicClass::Order => {
                Purpose::State
            }
        };
        Ok((Filter::new(&filter)?, kind))
    });
    of_rules.chain(ours).collect()
}

/// And on the connection for emergencies. Nothing, where no input may raise one.
pub(super) fn wanted_for_emergencies(plan: &Plan) -> Result<Vec<(Filter, Purpose)>, BadFilter> {
    emergency_topics(plan).iter().map(|(filter, _)| Ok((Filter::new(filter)?, Purpose::Input))).collect()
}

/// For one that stands by: all that it hears is rare, and none of it may be dropped.
pub(super) fn stand_by_classifier() -> Classifier {
    Arc::new(|_| Lane::State.into())
}

/// Which queue of the link each topic waits in.
///
/// While emergencies come over a connection of their own, what their inputs say over the main one waits for its turn
/// among the readings, as every request does. Else it goes ahead.
pub(super) fn classifier(plan: &Plan, emergencies_elsewhere: Arc<AtomicBool>) -> Classifier {
    let (classes, topics) = (Classes::new(plan), Topics::of(&plan.shop));
    Arc::new(move |topic| {
        let Some((class, input)) = classes.class(topic) else {
            let of_another_guard =
                topics.kept_machine(topic).is_some() || topics.health_site(topic).is_some();
            return if of_another_guard { Lane::State } else { Lane::Nobody }.into();
        };
        let lane = match class {
            TopicClass::Contact => Lane::Contact,
            TopicClass::Emergency if emergencies_elsewhere.load(Ordering::Relaxed) => Lane::Request,
            TopicClass::Emergency => Lane::Emergency,
            TopicClass::Request => Lane::Request,
            TopicClass::State => Lane::State,
            // A flood of either is nobody's doing but the sender's, and must not push out a request.
            TopicClass::Reading | TopicClass::Order => Lane::Reading,
        };
        Class { lane, input: input.cloned() }
    })
}

/// On the connection for emergencies.
pub(super) fn emergency_classifier(plan: &Plan) -> Classifier {
    let classes = Classes::new(plan);
    Arc::new(move |topic| match classes.class(topic) {
        Some((TopicClass::Contact | TopicClass::Emergency, input)) => {
            Class { lane: Lane::Emergency, input: input.cloned() }
        }
        Some((TopicClass::Request | TopicClass::State | TopicClass::Reading | TopicClass::Order, _))
        | None => Lane::Nobody.into(),
    })
}
