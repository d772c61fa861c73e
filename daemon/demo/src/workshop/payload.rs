//! How outlets and meters put into bytes what they have to say, and how an outlet reads an order.

use serde_json::json;

use super::meter::MeterSample;
use idlegate_guard::Switch;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeterPayload {
    /// `31.2`
    Bare,
    /// `{"watts":31.2,"joules":5170}`
    Json,
    /// `{"line":{"kilowatts":2.806}}`
    JsonKilowatts,
    /// RFC 8428, with a base name.
    Senml,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StatePayload {
    /// The word itself.
    Bare { on: &'static str, off: &'static str },
    /// `{"switch":"closed"}`; its orders are bare words.
    Json,
}

impl MeterPayload {
    pub fn write(self, outlet: &str, sample: MeterSample) -> String {
        let MeterSample { watts, joules } = sample;
        // JSON has no NaN; a faulty meter that prints one prints it like this.
        if watts.is_nan() {
            return "NaN".to_owned();
        }
        // A step of a tenth leaves binary dust behind that no meter would show.
        let watts = (watts * 1000.0).round() / 1000.0;
        let joules = joules.round();
        match self {
            MeterPayload::Bare => watts.to_string(),
            MeterPayload::Json => json!({ "watts": watts, "joules": joules }).to_string(),
            MeterPayload::JsonKilowatts => json!({ "line": { "kilowatts": watts / 1000.0 } }).to_string(),
            MeterPayload::Senml => json!([
                { "bn": format!("{outlet}:"), "n": "power", "u": "W", "v": watts },
                { "n": "energy", "u": "J", "v": joules },
            ])
            .to_string(),
        }
    }
}

impl StatePayload {
    pub(crate) const ON_OFF: StatePayload = StatePayload::Bare { on: "on", off: "off" };
    pub(crate) const ONE_ZERO: StatePayload = StatePayload::Bare { on: "1", off: "0" };

    pub fn write(self, switch: Switch) -> String {
        match self {
            StatePayload::Bare { on, off } => match switch {
                Switch::On => on.to_owned(),
                Switch::Off => off.to_owned(),
            },
            StatePayload::Json => {
                let position = match switch {
                    Switch::On => "closed",
                    Switch::Off => "open",
                };
                json!({ "switch": position }).to_string()
            }
        }
    }

    /// What an order says; nothing, when this outlet does not know the word.
    pub(crate) fn read_order(self, payload: &[u8]) -> Option<Switch> {
        let (on, off) = match self {
            StatePayload::Bare { on, off } => (on, off),
            StatePayload::Json => ("on", "off"),
        };
        if payload == on.as_bytes() {
            Some(Switch::On)
        } else if payload == off.as_bytes() {
            Some(Switch::Off)
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_meter_says_the_same_in_its_own_way() {
        let sample = MeterSample { watts: 31.200000000000003, joules: 5170.4 };
        for (payload, text) in [
            (MeterPayload::Bare, "31.2"),
            (MeterPayload::Json, r#"{"joules":5170.0,"watts":31.2}"#),
            (MeterPayload::JsonKilowatts, r#"{"line":{"kilowatts":0.0312}}"#),
            (
                MeterPayload::Senml,
                r#"[{"bn":"mill:","n":"power","u":"W","v":31.2},{"n":"energy","u":"J","v":5170.0}]"#,
            ),
        ] {
            let parse = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap();
            assert_eq!(parse(&payload.write("mill", sample)), parse(text));
        }
        assert_eq!(MeterPayload::Json.write("mill", MeterSample { watts: f64::NAN, joules: 0.0 }), "NaN");
    }

    #[test]
    fn an_outlet_obeys_its_own_words_and_no_others() {
        assert_eq!(StatePayload::ONE_ZERO.read_order(b"0"), Some(Switch::Off));
        assert_eq!(StatePayload::ONE_ZERO.read_order(b"off"), None);
        assert_eq!(StatePayload::Json.read_order(b"on"), Some(Switch::On));
        assert_eq!(StatePayload::ON_OFF.read_order(b"toggle"), None);
        assert_eq!(StatePayload::Json.write(Switch::Off), r#"{"switch":"open"}"#);
    }
}
