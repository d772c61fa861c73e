//! The acceptance drill: what has to happen at the real machine before it is trusted, and how it is told from what the guard
//! publishes.

use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

use crate::event::Message;

/// One thing to try, in the order in which they build on each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Item {
    /// The guard sees outlet, draw and idle.
    SeenIdle,
    SeenBusy,
    /// An off of the working machine is held.
    Held,
    /// A force inside the window switches off.
    Forced,
    /// What goes past the guard is noticed.
    OtherRoute,
}

impl Item {
    pub const ALL: [Item; 5] = [Item::SeenIdle, Item::SeenBusy, Item::Held, Item::Forced, Item::OtherRoute];

    /// What is claimed if it passes.
    pub const fn claim(self) -> &'static str {
        match self {
            Item::SeenIdle => "the guard sees that the idle machine is idle",
            Item::SeenBusy => "the guard sees that the working machine is working",
            Item::Held => "while it is working, an off is held, and Idlegate says why",
            Item::Forced => "a force inside the window switches it off",
            Item::OtherRoute => "the guard notices when the outlet's own button is used",
        }
    }

    /// Whether the message settles it: passed with what was heard, or failed with it.
    pub fn settled_by(self, prefix: &str, machine: &str, message: &Message) -> Option<(Outcome, String)> {
        if message.retained && !matches!(self, Item::SeenIdle | Item::SeenBusy) {
            return None;
        }
        let topic = message.topic.strip_prefix(prefix)?.strip_prefix('/')?;
        let body: Json = serde_json::from_slice(&message.payload).ok()?;
        if body["machine"] != machine {
            return None;
        }
        let heard = |outcome| Some((outcome, sentence(&body)));
        match (self, topic.split('/').next()?) {
            (Item::SeenIdle, "machine") => {
                (body["state"] == "idle" && body["outlet"] == "on").then(|| (Outcome::Passed, reasons(&body)))
            }
            (Item::SeenBusy, "machine") => {
                (body["state"] == "busy" && body["outlet"] == "on").then(|| (Outcome::Passed, reasons(&body)))
            }
            (Item::Held, "decision") => match body["decision"].as_str()? {
                "held" | "deferred" => heard(Outcome::Passed),
                "acted" if body["request"] == "off" => heard(Outcome::Failed),
                _ => None,
            },
            (Item::Forced, "decision") => (body["decision"] == "acted"
                && body["reason"] == "forced-in-window")
                .then(|| heard(Outcome::Passed))
                .flatten(),
            (Item::OtherRoute, "incident") => {
                let kind = body["kind"].as_str()?;
                (kind.ends_with("by-another-route") && body["over"] == false)
                    .then(|| heard(Outcome::Passed))
                    .flatten()
            }
            _ => None,
        }
    }
}

fn sentence(body: &Json) -> String {
    body["sentence"].as_str().unwrap_or_default().to_owned()
}

fn reasons(body: &Json) -> String {
    let reasons: Vec<&str> =
        body["reasons"].as_array().into_iter().flatten().filter_map(Json::as_str).collect();
    reasons.join("; ")
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    Passed,
    Failed,
    NotTried,
}

impl Outcome {
    pub const fn word(self) -> &'static str {
        match self {
            Outcome::Passed => "passed",
            Outcome::Failed => "failed",
            Outcome::NotTried => "not tried",
        }
    }
}

/// What came of trying.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tried {
    pub item: Item,
    pub outcome: Outcome,
    /// RFC 3339.
    pub at: String,
    /// What the guard said.
    pub heard: String,
}
