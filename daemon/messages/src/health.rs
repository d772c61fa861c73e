//! What a guard says of itself, kept by the broker, and its last will.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value as Json;

use super::words::{self, NAME};
use super::{Blind, Word, forgiving, from_json};

#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(tag = "guard", rename_all = "kebab-case")]
pub enum Health {
    Guarding(Box<Guarding>),
    /// The last will
    Gone {
        version: String,
    },
}

/// A guard that is there
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Guarding {
    pub answers_withheld: Option<AnswersWithheld>,
    /// What cannot be seen; left out where there is nothing
    #[serde(deserialize_with = "forgiving::elements", skip_serializing_if = "Vec::is_empty")]
    pub blind: Vec<Blind>,
    /// The broker came back without what it had stored
    pub broker_forgets: bool,
    /// Detectors that give no answer now, and why; the first 20. Their machines count as busy where the detector holds
    #[serde(deserialize_with = "forgiving::elements")]
    pub detectors_stopped: Vec<StoppedDetector>,
    /// The connection that is kept for emergencies: up, or down and why; null where no input may raise one
    pub emergency_connection: Option<String>,
    pub inputs_not_understood: Option<NotUnderstood>,
    /// Tells one run of the program from any other
    #[schemars(with = "String")]
    pub instance: Option<String>,
    /// ok, or what is wrong with it
    #[schemars(with = "String")]
    pub journal: Option<String>,
    #[serde(deserialize_with = "forgiving::elements")]
    #[schemars(inner(regex(pattern = NAME)))]
    pub machines: Vec<String>,
    /// heeded, or ignored by the broker, or why that was not tried
    pub message_expiry: String,
    pub messages_rejected: u64,
    /// Which of several guards, by its --stand-by
    pub name: Option<String>,
    /// Machines whose order topic the broker does not let Idlegate read, so that orders of others are not noticed there
    #[serde(deserialize_with = "forgiving::elements")]
    #[schemars(inner(regex(pattern = NAME)))]
    pub orders_not_seen: Vec<String>,
    pub readings_dropped: u64,
    /// Only where shop.toml has keep_readings
    #[serde(skip_serializing_if = "Option::is_none")]
    pub readings_kept: Option<ReadingsKept>,
    pub reload: Option<Reload>,
    /// The digest of the rules in force
    #[schemars(with = "String")]
    pub rules: Option<String>,
    pub title: String,
    pub version: String,
}

/// The readings that are kept for calibrate and replay
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ReadingsKept {
    /// What all of them take on the disk
    pub bytes: u64,
    /// Messages and readings that were not kept, since the start
    pub lost: u64,
    /// ok, or why none are kept at the moment
    pub state: String,
}

/// Answers that were wanted on topics where none may go, since the start: how many, and the last of them
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct AnswersWithheld {
    pub count: u64,
    #[schemars(regex(pattern = NAME))]
    pub input: String,
    pub topic: String,
    /// A clause that goes on from the topic
    pub why: String,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct StoppedDetector {
    #[schemars(regex(pattern = NAME))]
    pub detector: String,
    #[schemars(regex(pattern = NAME))]
    pub machine: String,
    pub why: String,
}

/// Messages on the topics of inputs that fit none of their gestures, since the start: how many, and the last of them
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct NotUnderstood {
    pub count: u64,
    #[schemars(regex(pattern = NAME))]
    pub input: String,
    pub topic: String,
    /// What was wrong with it, and what would probably help
    pub why: String,
}

/// What came of the last look at the rules folder
// The journal keeps each.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Reload {
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    #[schemars(extend("enum" = words::RELOADS))]
    pub outcome: Word,
    #[serde(deserialize_with = "forgiving::elements")]
    pub problems: Vec<String>,
    pub rules: String,
}

impl Health {
    /// Whatever does not say that it guards is gone.
    pub fn read(payload: &[u8]) -> Health {
        Health::from_json(&serde_json::from_slice(payload).unwrap_or_default())
    }

    pub fn from_json(message: &Json) -> Health {
        #[derive(Default, Deserialize)]
        #[serde(default)]
        struct Said {
            guard: Word,
            version: String,
        }
        let said: Said = from_json(message).unwrap_or_default();
        if said.guard == "guarding" {
            Health::Guarding(Box::new(from_json(message).unwrap_or_default()))
        } else {
            Health::Gone { version: said.version }
        }
    }

    pub fn is_guarding(&self) -> bool {
        self.guarding().is_some()
    }

    pub fn guarding(&self) -> Option<&Guarding> {
        match self {
            Health::Guarding(guarding) => Some(guarding),
            Health::Gone { .. } => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::text;

    #[test]
    fn one_that_guards_and_its_last_will_are_as_they_have_always_been() {
        let guarding = Guarding {
            answers_withheld: Some(AnswersWithheld {
                count: 2,
                input: "panel".to_owned(),
                topic: "outlets/mill/order".to_owned(),
                why: "is not its own".to_owned(),
            }),
            emergency_connection: Some("up".to_owned()),
            inputs_not_understood: Some(NotUnderstood {
                count: 1,
                input: "door".to_owned(),
                topic: "buttons/door".to_owned(),
                why: "no gesture".to_owned(),
            }),
            instance: Some("7-1".to_owned()),
            journal: Some("ok".to_owned()),
            machines: vec!["mill".to_owned()],
            message_expiry: "heeded".to_owned(),
            messages_rejected: 3,
            reload: Some(Reload {
                at: "2026-11-25T02:31:49.120Z".to_owned(),
                outcome: "kept-old".into(),
                problems: vec!["shop.toml:1:1: no".to_owned()],
                rules: "3f".to_owned(),
            }),
            rules: Some("3f".to_owned()),
            title: "Shed".to_owned(),
            version: "1.0.0".to_owned(),
            ..Guarding::default()
        };
        let golden = concat!(
            r#"{"answers_withheld":{"count":2,"input":"panel","topic":"outlets/mill/order","why":"is not its own"},"#,
            r#""broker_forgets":false,"detectors_stopped":[],"emergency_connection":"up","guard":"guarding","#,
            r#""inputs_not_understood":{"count":1,"input":"door","topic":"buttons/door","why":"no gesture"},"instance":"7-1","#,
            r#""journal":"ok","machines":["mill"],"message_expiry":"heeded","messages_rejected":3,"name":null,"#,
            r#""orders_not_seen":[],"readings_dropped":0,"reload":{"at":"2026-11-25T02:31:49.120Z","#,
            r#""outcome":"kept-old","problems":["shop.toml:1:1: no"],"rules":"3f"},"rules":"3f","#,
            r#""title":"Shed","version":"1.0.0"}"#,
        );
        let gone = Health::Gone { version: "1.0.0".to_owned() };
        for (health, golden) in
            [(Health::Guarding(Box::new(guarding)), golden), (gone, r#"{"guard":"gone","version":"1.0.0"}"#)]
        {
            assert_eq!(text(&health), golden);
            assert_eq!(Health::read(golden.as_bytes()), health);
        }
    }

    /// Or a partner of another version would take the machines over from one that guards them.
    #[test]
    fn a_guard_guards_however_odd_the_rest_of_its_message_is() {
        let odd = br#"{"guard":"guarding","machines":7,"journal":{"is":"ok"},"rules":"3f","version":[]}"#;
        let Health::Guarding(read) = Health::read(odd) else { panic!("it guards") };
        assert_eq!((read.rules.as_deref(), read.journal), (Some("3f"), None));
        for nobody in [&b"{}"[..], b"", b"[]", br#"{"guard":"gone"}"#, br#"{"guard":["guarding"]}"#] {
            assert!(!Health::read(nobody).is_guarding());
        }
    }
}
