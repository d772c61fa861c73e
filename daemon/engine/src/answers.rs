//! Where an answer may go. The guard publishes with its own rights, so whoever asks must never choose a topic that
//! somebody acts on: an outlet's order, another input, a meter, a lockout that the broker keeps.

use std::collections::HashSet;
use std::sync::Arc;

use super::core::Engine;
use super::effect::{AnswerWithheld, Effect, Reply};
use idlegate_guard::time::Now;
use idlegate_plan::event::Message;
use idlegate_plan::text::tame;
use idlegate_plan::{Input, Plan, topic};

const SHOWN_CHARS: usize = 80;

/// Topics that somebody acts on.
#[derive(Debug, Default)]
pub(super) struct InUse {
    exact: HashSet<String>,
    wild: Vec<String>,
}

impl InUse {
    pub(super) fn new(plan: &Plan) -> InUse {
        let mut in_use = InUse::default();
        for filter in plan.topics_in_use() {
            if topic::has_wildcard(filter) {
                in_use.wild.push(filter.to_owned());
            } else {
                in_use.exact.insert(filter.to_owned());
            }
        }
        in_use
    }

    fn has(&self, topic: &str) -> bool {
        self.exact.contains(topic) || self.wild.iter().any(|filter| topic::matches(filter, topic))
    }

    /// Why nothing may be answered there.
    fn objection(&self, prefix: &str, input: &Input, topic: &str) -> Option<&'static str> {
        if !topic::is_topic(topic) {
            return Some("is not a topic");
        }
        if topic.starts_with('$') {
            return Some("is one of the broker's own");
        }
        if self.has(topic) {
            return Some("is one that the rules read, order or refresh");
        }
        let below = |start: &str| {
            topic.strip_prefix(start).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
        };
        if below(&format!("{prefix}/answer/{}", input.name)) {
            return None;
        }
        if below(prefix) {
            return Some("is one of Idlegate's own");
        }
        let allowed = input.answers.iter().any(|filter| topic::matches(filter, topic));
        (!allowed).then_some("is not one that the rules allow")
    }
}

impl Engine {
    /// Where this message is to be answered. The request in it is judged all the same if its answer is withheld.
    pub(super) fn reply_to(
        &self,
        now: Now,
        input: &Input,
        message: &Message,
        out: &mut Vec<Effect>,
    ) -> Option<Reply> {
        let topic: Arc<str> = message.response_topic.clone()?;
        let Some(why) = self.in_use.objection(&self.plan.shop.prefix, input, &topic) else {
            return Some(Reply { topic, correlation: message.correlation.clone() });
        };
        out.push(Effect::AnswerWithheld(AnswerWithheld {
            at: now,
            input: input.name.clone(),
            topic: tame(&topic, SHOWN_CHARS).into(),
            why,
        }));
        None
    }
}
