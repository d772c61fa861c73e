//! How the plan becomes subscriptions of the link.

use crate::engine::{Classes, TopicClass, subscriptions};
use crate::link::{BadFilter, Classifier, Filter, Kind, Lane};
use crate::plan::Plan;

/// What the broker is asked for.
pub(super) fn wanted(plan: &Plan) -> Result<Vec<(Filter, Kind)>, BadFilter> {
    subscriptions(plan)
        .into_iter()
        .map(|(filter, class)| {
            let kind = match class {
                TopicClass::Emergency | TopicClass::Request => Kind::Input,
                TopicClass::State | TopicClass::Reading => Kind::State,
            };
            Ok((Filter::new(&filter)?, kind))
        })
        .collect()
}

/// For one that stands by: all that it hears is rare, and none of it may be dropped.
pub(super) fn stand_by_classifier() -> Classifier {
    std::sync::Arc::new(|_| Lane::State)
}

/// Which queue of the link each topic waits in.
pub(super) fn classifier(plan: &Plan) -> Classifier {
    let classes = Classes::new(plan);
    std::sync::Arc::new(move |topic| match classes.class(topic) {
        Some(TopicClass::Emergency) => Lane::Emergency,
        Some(TopicClass::Request) => Lane::Request,
        Some(TopicClass::State) => Lane::State,
        Some(TopicClass::Reading) => Lane::Reading,
        None => Lane::Nobody,
    })
}
