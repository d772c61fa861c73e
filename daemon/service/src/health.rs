//! What the service says of itself, for people and for whatever watches over it.

use crate::broker_watch::BrokerWatch;
use idlegate_engine::{AnswerWithheld, Engine, Rejected};
use idlegate_guard::time::Now;
use idlegate_messages::{
    AnswersWithheld, Blind, Guarding, Health, NotUnderstood, ReadingsKept, Reload, StoppedDetector,
};
use idlegate_plan::event::Name;
use idlegate_plan::text::tame;

/// Text from outside, for one line.
const TOLD_CHARS_MAX: usize = 300;

/// It is one message, however much cannot be seen.
const BLIND_MAX: usize = 100;

const VERSION: &str = env!("CARGO_PKG_VERSION");

/// What only the service knows.
#[derive(Clone, Debug)]
pub(super) struct Facts<'a> {
    /// By its --stand-by.
    pub(super) name: Option<&'a Name>,
    /// This run of the program.
    pub(super) instance: &'a str,
    pub(super) broker_forgets: bool,
    pub(super) rejected: u64,
    pub(super) readings_dropped: u64,
    /// How many, and the last of them.
    pub(super) withheld: Option<&'a (u64, AnswerWithheld)>,
    /// Of inputs: how many messages were no gesture, and the last of them.
    pub(super) misfits: Option<&'a (u64, Rejected)>,
    pub(super) journal: &'a str,
    /// Nothing where none are kept.
    pub(super) readings: Option<ReadingsKept>,
    pub(super) broker: &'a BrokerWatch,
    /// What came of the last look at the rules.
    pub(super) reloaded: Option<&'a Reload>,
    /// "up", or "down" and why; nothing where there is none.
    pub(super) emergency_connection: Option<String>,
}

fn stopped(of: &idlegate_engine::StoppedDetector) -> StoppedDetector {
    let (machine, detector) = (of.machine.to_string(), of.detector.to_string());
    StoppedDetector { detector, machine, why: of.why.clone() }
}

/// The last will, and the farewell.
pub(super) fn gone() -> Health {
    Health::Gone { version: VERSION.to_owned() }
}

pub(super) fn guarding(now: Now, engine: &Engine, facts: Facts<'_>) -> Health {
    let plan = engine.plan();
    Health::Guarding(Box::new(Guarding {
        inputs_not_understood: facts.misfits.map(|(count, last)| NotUnderstood {
            count: *count,
            input: last.input.as_ref().map(ToString::to_string).unwrap_or_default(),
            topic: tame(&last.topic, TOLD_CHARS_MAX),
            why: tame(&last.fault, TOLD_CHARS_MAX),
        }),
        answers_withheld: facts.withheld.map(|(count, last)| AnswersWithheld {
            count: *count,
            input: last.input.to_string(),
            topic: last.topic.to_string(),
            why: last.why.to_string(),
        }),
        blind: engine.blind_spots(now).iter().map(Blind::of).take(BLIND_MAX).collect(),
        broker_forgets: facts.broker_forgets,
        detectors_stopped: engine.stopped_detectors().iter().map(stopped).collect(),
        emergency_connection: facts.emergency_connection,
        instance: Some(facts.instance.to_owned()),
        journal: Some(facts.journal.to_owned()),
        machines: plan.machines.iter().map(|machine| machine.name.to_string()).collect(),
        message_expiry: facts.broker.expiry.health(),
        messages_rejected: facts.rejected,
        name: facts.name.map(ToString::to_string),
        orders_not_seen: facts.broker.orders_not_seen(plan),
        readings_dropped: facts.readings_dropped,
        readings_kept: facts.readings,
        reload: facts.reloaded.cloned(),
        rules: Some(plan.digest.clone()),
        title: plan.shop.title.clone(),
        version: VERSION.to_owned(),
    }))
}
