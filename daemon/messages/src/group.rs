//! What became of a request to a group, for whoever asked. Each of its machines has a decision of its own besides.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::words::{self, NAME};
use super::{Word, forgiving};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct GroupAnswer {
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    #[schemars(regex(pattern = NAME))]
    pub gesture: String,
    #[schemars(regex(pattern = NAME))]
    pub group: String,
    /// The sender's own id of the event
    pub id: Option<String>,
    #[schemars(regex(pattern = NAME))]
    pub input: String,
    /// In the order of the rules, up to 1,000
    #[serde(deserialize_with = "forgiving::elements")]
    pub machines: Vec<MemberAnswer>,
    #[schemars(extend("enum" = words::requests()))]
    pub request: Word,
    /// SHA-256 of the rules in force
    pub rules: String,
    /// For people: what became of all of them
    pub sentence: String,
    /// Only where something must survive a restart: whether it will.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stored: Option<bool>,
    /// Who asked, by the sender's word: shown, and never believed. At most 40 characters
    pub who: Option<String>,
}

/// One machine of the group.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct MemberAnswer {
    /// It is idle and goes off in so many seconds, unless somebody cancels.
    pub acts_in_s: Option<f64>,
    /// A lower bound of the seconds until it may be idle
    pub clears_in_s: Option<f64>,
    /// Null while it waits for fresh readings. Its decision then follows as ever.
    #[schemars(extend("enum" = words::or_null(&words::decisions())))]
    pub decision: Option<Word>,
    #[schemars(regex(pattern = NAME))]
    pub machine: String,
    /// As its outlet says at the time of the answer
    #[schemars(extend("enum" = words::OUTLETS))]
    pub outlet: Word,
    /// A stable word: machine-idle, until-idle, machine-not-allowed …
    pub reason: Option<Word>,
    /// Of this machine alone, for people
    pub sentence: Option<String>,
    /// Only where it is so: the machine is in shadow mode, and nothing was done about it.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub shadow: bool,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assert_round_trip;

    #[test]
    fn an_answer_for_a_group_names_each_machine() {
        let mill = MemberAnswer {
            decision: Some("acted".into()),
            machine: "mill".to_owned(),
            outlet: "off".into(),
            reason: Some("machine-idle".into()),
            sentence: Some("Mill is being switched off.".to_owned()),
            ..MemberAnswer::default()
        };
        let answer = GroupAnswer {
            group: "evening".to_owned(),
            machines: vec![mill],
            request: "off".into(),
            stored: Some(true),
            ..GroupAnswer::default()
        };
        let golden = concat!(
            r#"{"at":"","gesture":"","group":"evening","id":null,"input":"","machines":[{"acts_in_s":null,"#,
            r#""clears_in_s":null,"decision":"acted","machine":"mill","outlet":"off","reason":"machine-idle","#,
            r#""sentence":"Mill is being switched off."}],"request":"off","rules":"","sentence":"","stored":true,"#,
            r#""who":null}"#,
        );
        assert_round_trip(&answer, golden);
    }
}
