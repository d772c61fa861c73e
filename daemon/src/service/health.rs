//! What the service says of itself, for people and for whatever watches over it.

use serde_json::{Value as Json, json};

use crate::effects::messages;
use crate::engine::Engine;
use crate::event::Name;

/// The last will, and the farewell.
pub(super) fn gone() -> Json {
    messages::health("gone", json!({}))
}

pub(super) fn guarding(
    engine: &Engine,
    rejected: u64,
    readings_dropped: u64,
    journal: &str,
    reloaded: Option<&Json>,
    name: Option<&Name>,
) -> Json {
    let plan = engine.plan();
    messages::health(
        "guarding",
        json!({
            "title": plan.shop.title,
            "name": name.map(Name::as_str),
            "rules": plan.digest,
            "machines": plan.machines.iter().map(|machine| machine.name.as_str()).collect::<Vec<_>>(),
            "messages_rejected": rejected,
            "readings_dropped": readings_dropped,
            "journal": journal,
            "reload": reloaded,
        }),
    )
}
