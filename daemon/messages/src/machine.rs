//! How a machine stands, kept by the broker.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::words::{self, NAME};
use super::{Blind, Finding, Quantity, Word, forgiving};
use idlegate_guard::Switch;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct MachineStatus {
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    /// What cannot be seen of it; left out where there is nothing
    #[serde(deserialize_with = "forgiving::elements", skip_serializing_if = "Vec::is_empty")]
    pub blind: Vec<Blind>,
    /// A lower bound
    pub clears_in_s: Option<f64>,
    pub deferral: Option<Deferral>,
    #[serde(deserialize_with = "forgiving::elements")]
    pub detectors: Vec<Finding>,
    /// Since when it has been idle without a break
    pub idle_for_s: Option<f64>,
    /// Those that are open, by their kinds
    #[serde(deserialize_with = "forgiving::elements")]
    pub incidents: Vec<Word>,
    /// The job that is under way
    pub job: Option<RunningJob>,
    pub kept_on: Option<StaysOn>,
    /// The input that locked it; of several an emergency's, else the first
    pub locked_by: Option<String>,
    /// Only where it is locked: by whom. It can be switched on once there is none.
    #[serde(deserialize_with = "forgiving::elements", skip_serializing_if = "Vec::is_empty")]
    pub locks: Vec<Lock>,
    #[schemars(regex(pattern = NAME))]
    pub machine: String,
    /// Only where it is so: it is switched off in an emergency at most
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub never_off: bool,
    /// What the wall clock will ask for next
    pub next_schedule: Option<NextSchedule>,
    #[schemars(extend("enum" = words::OUTLETS))]
    pub outlet: Word,
    /// Only where it is so: somebody has locked it to work on it, so its incidents are recorded and not announced,
    /// except urgent ones.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub quiet: bool,
    #[serde(deserialize_with = "forgiving::elements")]
    pub reasons: Vec<String>,
    /// Only where its rules have services: what it has done since each
    #[serde(deserialize_with = "forgiving::elements", skip_serializing_if = "Vec::is_empty")]
    pub services: Vec<ServiceState>,
    /// Decided and recorded, not sent
    pub shadow: bool,
    #[serde(deserialize_with = "forgiving::elements")]
    pub signals: Vec<Signal>,
    /// What the detectors say together. Unknown counts as busy.
    #[schemars(extend("enum" = words::STATES))]
    pub state: Word,
    #[schemars(extend("enum" = words::or_null(&[Switch::On.word(), Switch::Off.word()])))]
    pub switching: Option<Word>,
    /// For people
    pub title: String,
    pub waiting_requests: u64,
    /// Only where it is so: Idlegate has no way to switch it
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub watched: bool,
    /// While force-off is accepted
    pub window_left_s: Option<f64>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Deferral {
    /// While the notice runs
    pub acts_in_s: Option<f64>,
    #[schemars(regex(pattern = NAME))]
    pub by: String,
    pub expires_in_s: f64,
}

/// Somebody's word that it stays on, however idle it looks
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct StaysOn {
    #[schemars(regex(pattern = NAME))]
    pub by: String,
    pub left_s: f64,
}

/// Somebody's lock
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Lock {
    #[schemars(regex(pattern = NAME))]
    pub by: String,
    /// After an emergency-off
    pub emergency: bool,
    /// What they said of it
    pub note: Option<String>,
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub since: Option<String>,
    /// Whose it is, by the sender's word
    pub who: Option<String>,
}

/// Something that is to be done to the machine again and again
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ServiceState {
    /// The input that said that it was done; null before the first time
    pub by: Option<String>,
    /// Seconds, or times, since it was done
    pub counted: f64,
    #[schemars(extend("enum" = words::COUNTS))]
    pub counts: Word,
    pub due: bool,
    /// Seconds, or times, after which it is due
    pub every: f64,
    /// For people
    pub sentence: String,
    #[schemars(regex(pattern = NAME))]
    pub service: String,
    /// When it was done, or counting began
    #[schemars(extend("format" = "date-time"))]
    pub since: String,
    pub who: Option<String>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct RunningJob {
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub began: String,
    /// False for one that was found under way: it may have begun earlier
    pub begin_seen: bool,
    /// What that has cost; null without a tariff
    pub cost: Option<f64>,
    /// Whether somebody can see that it goes on
    pub in_sight: bool,
    /// What it has drawn; null for a machine without a meter
    pub joules: Option<f64>,
    pub lasted_s: f64,
    /// In between nobody could see it for so long
    pub unseen_s: f64,
    /// The most that was read
    pub watts_max: Option<f64>,
    /// When it was certain last that it goes on
    #[schemars(extend("format" = "date-time"))]
    pub worked: String,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct NextSchedule {
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    pub at: String,
    #[schemars(regex(pattern = NAME))]
    pub by: String,
    #[schemars(extend("enum" = words::SCHEDULED))]
    pub request: Word,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Signal {
    /// Null when its age is not known
    pub age_s: Option<f64>,
    #[schemars(regex(pattern = NAME))]
    pub signal: String,
    /// Nothing has come since, and its meter, which speaks only when its value changes, has shown that it is there
    pub unchanged: bool,
    /// As in the SenML units registry, or empty
    pub unit: String,
    pub value: Option<Quantity>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assert_round_trip;

    #[test]
    fn a_status_is_as_it_has_always_been() {
        let signal = Signal {
            age_s: Some(0.4),
            signal: "power".to_owned(),
            unit: "W".to_owned(),
            value: Quantity::number(3.0),
            unchanged: false,
        };
        let status = MachineStatus {
            at: "2026-11-25T02:31:49.120Z".to_owned(),
            deferral: Some(Deferral { acts_in_s: None, by: "night".to_owned(), expires_in_s: 86_400.0 }),
            idle_for_s: Some(12.5),
            incidents: vec!["not-confirmed".into()],
            job: Some(RunningJob {
                began: "2026-11-25T01:31:49.120Z".to_owned(),
                begin_seen: true,
                cost: None,
                in_sight: true,
                joules: Some(360_000.0),
                lasted_s: 3_600.0,
                unseen_s: 0.0,
                watts_max: Some(120.0),
                worked: "2026-11-25T02:31:48.120Z".to_owned(),
            }),
            machine: "mill".to_owned(),
            next_schedule: Some(NextSchedule {
                at: "2026-11-25T22:00:00.000Z".to_owned(),
                by: "night".to_owned(),
                request: "off-once-idle".into(),
            }),
            outlet: "on".into(),
            reasons: vec!["3 W, idle below 35 W".to_owned()],
            signals: vec![signal],
            state: "idle".into(),
            switching: Some("off".into()),
            title: "Mill".to_owned(),
            waiting_requests: 1,
            ..MachineStatus::default()
        };
        let golden = concat!(
            r#"{"at":"2026-11-25T02:31:49.120Z","clears_in_s":null,"#,
            r#""deferral":{"acts_in_s":null,"by":"night","expires_in_s":86400.0},"detectors":[],"#,
            r#""idle_for_s":12.5,"incidents":["not-confirmed"],"#,
            r#""job":{"began":"2026-11-25T01:31:49.120Z","begin_seen":true,"cost":null,"in_sight":true,"#,
            r#""joules":360000.0,"#,
            r#""lasted_s":3600.0,"unseen_s":0.0,"watts_max":120.0,"#,
            r#""worked":"2026-11-25T02:31:48.120Z"},"kept_on":null,"locked_by":null,"machine":"mill","#,
            r#""next_schedule":{"at":"2026-11-25T22:00:00.000Z","by":"night","request":"off-once-idle"},"#,
            r#""outlet":"on","reasons":["3 W, idle below 35 W"],"shadow":false,"#,
            r#""signals":[{"age_s":0.4,"signal":"power","unchanged":false,"unit":"W","value":3.0}],"#,
            r#""state":"idle","switching":"off","title":"Mill","waiting_requests":1,"window_left_s":null}"#,
        );
        assert_round_trip(&status, golden);
    }
}
