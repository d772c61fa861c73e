//! Whatever people are told, announcements and incidents alike, has this one shape.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::words::NAME;
use super::{Blind, Word, forgiving};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Told {
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    /// What cannot be seen, or can again; left out where it is about something else
    #[serde(deserialize_with = "forgiving::elements", skip_serializing_if = "Vec::is_empty")]
    pub blind: Vec<Blind>,
    /// A lower bound of the seconds until the machine may be idle
    pub clears_in_s: Option<f64>,
    /// The input it speaks of or to; null where it is about none
    #[schemars(regex(pattern = NAME))]
    pub input: Option<String>,
    /// What happened, or what is announced
    pub kind: Word,
    /// Null where it is about several machines or none
    #[schemars(regex(pattern = NAME))]
    pub machine: Option<String>,
    /// All machines it is about, up to 1,000
    #[serde(deserialize_with = "forgiving::elements")]
    #[schemars(inner(regex(pattern = NAME)))]
    pub machines: Vec<String>,
    /// True when an incident has come to its end
    pub over: bool,
    /// Only where it is so, and then only in the journal: somebody has locked the machine to work on it, so it is
    /// recorded and not announced.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub quiet: bool,
    /// What to say or show, from the rules if they have one of their own for it
    pub sentence: String,
    /// Only where it is so: the machine is in shadow mode, and the sentence says what would have been done.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub shadow: bool,
    /// Somebody should go and look now.
    pub urgent: bool,
    /// How long there is to force it off (held), to cancel (deferral-notice, group-asked) or to let go (let-go)
    pub window_s: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assert_round_trip;

    #[test]
    fn what_people_are_told_is_as_it_has_always_been() {
        let held = Told {
            at: "2026-11-25T02:31:49.120Z".to_owned(),
            blind: Vec::new(),
            clears_in_s: Some(90.0),
            input: Some("button".to_owned()),
            kind: "held".into(),
            machine: Some("mill".to_owned()),
            machines: vec!["mill".to_owned()],
            over: false,
            quiet: false,
            sentence: "Mill stays on.".to_owned(),
            shadow: false,
            urgent: false,
            window_s: Some(10.0),
        };
        let golden = concat!(
            r#"{"at":"2026-11-25T02:31:49.120Z","clears_in_s":90.0,"input":"button","kind":"held","#,
            r#""machine":"mill","machines":["mill"],"over":false,"sentence":"Mill stays on.","#,
            r#""urgent":false,"window_s":10.0}"#,
        );
        assert_round_trip(&held, golden);
        let shadow = Told { shadow: true, ..held };
        assert_round_trip(&shadow, &golden.replace(r#""urgent""#, r#""shadow":true,"urgent""#));
        let of_the_shop = Told { kind: "late-broker".into(), over: true, ..Told::default() };
        let golden = concat!(
            r#"{"at":"","clears_in_s":null,"input":null,"kind":"late-broker","machine":null,"machines":[],"#,
            r#""over":true,"sentence":"","urgent":false,"window_s":null}"#,
        );
        assert_round_trip(&of_the_shop, golden);
    }
}
