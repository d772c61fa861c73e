//! A decision, for everybody and for whoever asked, and as the journal keeps it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::words::{self, NAME};
use super::{Finding, Word, forgiving};
use idlegate_guard::Switch;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Decision {
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    /// Only in the answer, and only where a remote input that may force was held: whoever sends force-off with this
    /// token in time forces the machine off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confirm: Option<Confirm>,
    /// Only where it answers several requests at once: how many. An emergency-off that an input repeats within 200 ms,
    /// or in a flood within a second, is counted and answered together with the others.
    // In the journal also how many messages could not be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 2))]
    pub count: Option<u64>,
    #[schemars(extend("enum" = words::decisions()))]
    pub decision: Word,
    #[serde(deserialize_with = "forgiving::elements")]
    pub detectors: Vec<Finding>,
    /// Only in the journal, of a message that could not be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fault: Option<String>,
    pub gesture: Option<String>,
    /// Only where the machine was asked together with others: the group that was asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = NAME))]
    pub group: Option<String>,
    /// The sender's own id of the event
    pub id: Option<String>,
    #[schemars(regex(pattern = NAME))]
    pub input: String,
    pub machine: Option<String>,
    #[schemars(extend("enum" = words::or_null(&[Switch::On.word(), Switch::Off.word()])))]
    pub outlet: Option<Word>,
    /// A stable word: machine-busy, forced-in-window, lockout …
    pub reason: Word,
    #[schemars(extend("enum" = words::or_null(&words::requests())))]
    pub request: Option<Word>,
    /// SHA-256 of the rules in force
    pub rules: String,
    /// For people
    pub sentence: String,
    /// Only where it is so: the machine is in shadow mode, and nothing was done about it.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub shadow: bool,
    /// What the detectors say together. Unknown counts as busy.
    #[schemars(extend("enum" = words::or_null(&words::STATES)))]
    pub state: Option<Word>,
    /// Only where it must survive a restart: whether it will.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stored: Option<bool>,
    /// Who asked, by the sender's word: shown, and never believed. At most 40 characters
    pub who: Option<String>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Confirm {
    #[schemars(regex(pattern = "^[0-9a-z]{4}-[0-9a-z]{4}$"))]
    pub token: String,
    pub within_s: f64,
}

/// In the journal: messages that were meant as requests, perhaps, and could not be read. It is read as a [`Decision`].
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Refused {
    pub count: u64,
    pub decision: Word,
    pub fault: String,
    pub input: Option<String>,
    pub reason: Word,
    pub topic: String,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Quantity, Reading, assert_round_trip, read};

    const PUBLISHED: &str = concat!(
        r#"{"at":"2026-11-25T02:31:49.120Z","decision":"held","detectors":[{"clears_in_s":90.5,"detector":"draw","#,
        r#""readings":[{"age_s":0.8,"signal":"power","unchanged":false,"unit":"W","value":118.2},"#,
        r#"{"age_s":2.0,"signal":"word","unchanged":true,"unit":"","value":"printing"}],"#,
        r#""reason":"118.2 W, busy above 40 W","role":"hold","state":"busy"}],"gesture":"press","id":null,"#,
        r#""input":"button","machine":"mill","outlet":"on","reason":"machine-busy","request":"off","rules":"3f","#,
        r#""sentence":"Mill stays on.","state":"busy","who":null}"#,
    );

    fn held() -> Decision {
        let power = Reading {
            age_s: 0.8,
            signal: "power".to_owned(),
            unit: "W".to_owned(),
            value: Quantity::number(118.2),
            unchanged: false,
        };
        let word = Reading {
            age_s: 2.0,
            signal: "word".to_owned(),
            unchanged: true,
            unit: String::new(),
            value: Some(Quantity::Text("printing".to_owned())),
        };
        Decision {
            at: "2026-11-25T02:31:49.120Z".to_owned(),
            decision: "held".into(),
            detectors: vec![Finding {
                clears_in_s: Some(90.5),
                detector: "draw".to_owned(),
                readings: vec![power, word],
                reason: "118.2 W, busy above 40 W".to_owned(),
                role: "hold".into(),
                state: "busy".into(),
            }],
            gesture: Some("press".to_owned()),
            input: "button".to_owned(),
            machine: Some("mill".to_owned()),
            outlet: Some("on".into()),
            reason: "machine-busy".into(),
            request: Some("off".into()),
            rules: "3f".to_owned(),
            sentence: "Mill stays on.".to_owned(),
            state: Some("busy".into()),
            ..Decision::default()
        }
    }

    #[test]
    fn what_everybody_hears_is_as_it_has_always_been() {
        assert_round_trip(&held(), PUBLISHED);
    }

    #[test]
    fn what_was_only_decided_in_shadow_mode_says_so() {
        let shadow = Decision { shadow: true, ..held() };
        let golden = PUBLISHED.replace(r#""state":"busy","who""#, r#""shadow":true,"state":"busy","who""#);
        assert_round_trip(&shadow, &golden);
    }

    #[test]
    fn the_answer_has_the_token_besides() {
        let confirm = Confirm { token: "ab12-cd34".to_owned(), within_s: 10.0 };
        let answer =
            Decision { confirm: Some(confirm), count: Some(2), stored: Some(true), ..Decision::default() };
        let golden = concat!(
            r#"{"at":"","confirm":{"token":"ab12-cd34","within_s":10.0},"count":2,"decision":"","detectors":[],"#,
            r#""gesture":null,"id":null,"input":"","machine":null,"outlet":null,"reason":"","request":null,"#,
            r#""rules":"","sentence":"","state":null,"stored":true,"who":null}"#,
        );
        assert_round_trip(&answer, golden);
    }

    #[test]
    fn a_message_that_could_not_be_read_is_a_decision_of_the_journal() {
        let golden = concat!(
            r#"{"count":3,"decision":"refused","fault":"it is not JSON","input":"panel","reason":"malformed","#,
            r#""topic":"panels/1"}"#,
        );
        let refused = Refused {
            count: 3,
            decision: "refused".into(),
            fault: "it is not JSON".to_owned(),
            input: Some("panel".to_owned()),
            reason: "malformed".into(),
            topic: "panels/1".to_owned(),
        };
        assert_round_trip(&refused, golden);
        let decision: Decision = read(golden.as_bytes()).unwrap();
        assert_eq!((decision.fault.as_deref(), decision.count), (Some("it is not JSON"), Some(3)));
        let nameless: Decision = read(golden.replace("\"panel\"", "null").as_bytes()).unwrap();
        assert_eq!((&*nameless.input, &*nameless.decision), ("", "refused"));
    }
}
