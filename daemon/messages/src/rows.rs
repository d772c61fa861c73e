//! What only the journal keeps: orders, what outlets and detectors said, and what was drawn.

use serde::{Deserialize, Serialize};

use super::{Word, forgiving};

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Order {
    pub cause: Option<Word>,
    /// Why it was not sent.
    pub not_sent: Option<String>,
    pub resend: u64,
    pub shadow: bool,
    pub switch: Word,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct OutletState {
    pub state: Word,
}

/// What the detectors say together.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct State {
    #[serde(deserialize_with = "forgiving::elements")]
    pub reasons: Vec<String>,
    pub state: Word,
}

/// A silence of a working machine that is over.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Silence {
    /// After how much quiet it counts as idle; zero where nobody says.
    pub dwell_s: f64,
    /// "lasted", "back-to-work" or "nearly".
    pub end: Word,
    /// It went back to work so long after it counted as idle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub idle_for_s: Option<f64>,
    pub pause_longest_s: f64,
    /// Since the last such row.
    pub pauses: u32,
    /// It went back to work after so much quiet, just before it would have counted as idle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quiet_for_s: Option<f64>,
    /// Missing where nobody says after how much quiet it counts as idle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub so_far: Option<SilencesSoFar>,
}

/// How a machine's silences of one length went on, under the same settings.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct SilencesSoFar {
    pub dwell_ms: u64,
    pub finished: u32,
    pub settings: String,
    pub went_on: u32,
}

/// A request that was decided in shadow mode, and what became of the outlet within ten seconds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Shadow {
    /// How long before or after the decision the outlet changed; missing where it did not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub apart_s: Option<f64>,
    /// "on" or "off": which way it was to be switched.
    pub asked: Word,
    /// When it was decided, as in the decision's own row.
    pub asked_at: String,
    /// The outlet changed before that; then `decision` is what would have been decided.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub before: bool,
    pub decision: Word,
    pub input: String,
    /// "agrees", "cut", "left-on", "switched-on", "left-off" or "unseen".
    pub meanwhile: Word,
    pub request: Word,
}

/// What was drawn, minute by minute.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Energy {
    pub from: String,
    /// Nothing for a minute in which the meter was not heard.
    #[serde(deserialize_with = "forgiving::places")]
    pub joules: Vec<Option<f64>>,
    pub silent_s: Option<f64>,
    pub watts_max: Option<f64>,
}

/// A job that is over.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct JobRecord {
    pub began: String,
    /// False for one that was found under way.
    pub begin_seen: bool,
    /// The input whose request ended it.
    pub by: Option<String>,
    pub cost: Option<f64>,
    pub currency: Option<String>,
    pub ended: String,
    pub how: Word,
    /// Nothing for a machine without a meter.
    pub joules: Option<f64>,
    /// At least, where nobody saw the end.
    pub lasted_s: f64,
    /// Where nobody saw the end, or could tell it from a pause: it was not before this.
    pub not_before: Option<String>,
    /// For so long in between nobody saw it.
    pub unseen_s: f64,
    pub watts_max: Option<f64>,
    /// The name that came with the request, which nobody has checked.
    pub who: Option<String>,
}

/// Whether the broker is there.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Link {
    pub state: Word,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// Under which rules the guarding began.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Start {
    pub rules: String,
}

/// The guarding ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Stop {
    /// Nobody could write it down: the program was killed, or its computer lost its power.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub unexpected: bool,
}

/// A time in which the journal could not be written.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Gap {
    pub from: String,
    /// So many records waited in memory, and follow.
    pub held: u64,
    pub lost: u64,
    pub until: String,
    pub why: String,
}

/// A damaged journal that was renamed; this one began after it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct FileSetAside {
    pub file: String,
    pub why: String,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assert_round_trip;

    #[test]
    fn rows_are_as_they_have_always_been() {
        let order = Order {
            cause: Some("plain".into()),
            not_sent: Some("the link is down".to_owned()),
            resend: 1,
            shadow: false,
            switch: "off".into(),
        };
        let golden =
            r#"{"cause":"plain","not_sent":"the link is down","resend":1,"shadow":false,"switch":"off"}"#;
        assert_round_trip(&order, golden);
        assert_round_trip(&OutletState { state: "on".into() }, r#"{"state":"on"}"#);
        let state = State { reasons: vec!["118 W".to_owned()], state: "busy".into() };
        assert_round_trip(&state, r#"{"reasons":["118 W"],"state":"busy"}"#);
        let energy = Energy {
            from: "2026-11-25T02:30:00.000Z".to_owned(),
            joules: vec![Some(60.5), None, Some(0.0)],
            silent_s: Some(60.0),
            watts_max: Some(4.5),
        };
        let golden =
            r#"{"from":"2026-11-25T02:30:00.000Z","joules":[60.5,null,0.0],"silent_s":60.0,"watts_max":4.5}"#;
        assert_round_trip(&energy, golden);
        let job = JobRecord {
            began: "2026-11-25T02:30:00.000Z".to_owned(),
            begin_seen: true,
            by: Some("button".to_owned()),
            ended: "2026-11-25T08:30:00.000Z".to_owned(),
            how: "forced".into(),
            joules: Some(7.5),
            lasted_s: 21_600.0,
            ..JobRecord::default()
        };
        let golden = concat!(
            r#"{"began":"2026-11-25T02:30:00.000Z","begin_seen":true,"by":"button","cost":null,"currency":null,"#,
            r#""ended":"2026-11-25T08:30:00.000Z","how":"forced","joules":7.5,"lasted_s":21600.0,"#,
            r#""not_before":null,"unseen_s":0.0,"watts_max":null,"who":null}"#,
        );
        assert_round_trip(&job, golden);
        assert_round_trip(&Link { state: "up".into(), why: None }, r#"{"state":"up"}"#);
        let down = Link { state: "down".into(), why: Some("refused".to_owned()) };
        assert_round_trip(&down, r#"{"state":"down","why":"refused"}"#);
        let shadow = Shadow {
            apart_s: Some(0.4),
            asked: "off".into(),
            asked_at: "2026-11-25T02:30:00.000Z".to_owned(),
            before: true,
            decision: "held".into(),
            input: "button".to_owned(),
            meanwhile: "cut".into(),
            request: "flip".into(),
        };
        let golden = concat!(
            r#"{"apart_s":0.4,"asked":"off","asked_at":"2026-11-25T02:30:00.000Z","before":true,"#,
            r#""decision":"held","input":"button","meanwhile":"cut","request":"flip"}"#,
        );
        assert_round_trip(&shadow, golden);
        assert_round_trip(&Start { rules: "3f".to_owned() }, r#"{"rules":"3f"}"#);
        let gap = Gap {
            from: "2026-11-25T02:30:00.000Z".to_owned(),
            held: 12,
            lost: 3,
            until: "2026-11-25T02:31:00.000Z".to_owned(),
            why: "disk full".to_owned(),
        };
        let golden = concat!(
            r#"{"from":"2026-11-25T02:30:00.000Z","held":12,"lost":3,"until":"2026-11-25T02:31:00.000Z","#,
            r#""why":"disk full"}"#,
        );
        assert_round_trip(&gap, golden);
        let aside =
            FileSetAside { file: "journal.damaged.sqlite".to_owned(), why: "not a database".to_owned() };
        assert_round_trip(&aside, r#"{"file":"journal.damaged.sqlite","why":"not a database"}"#);
    }
}
