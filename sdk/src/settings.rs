//! Reads the text of settings into their type, with errors meant for the person who wrote them.

use std::fmt;

use schemars::generate::SchemaSettings;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// Settings that cannot be used: which one, what is wrong with it, and what to write instead.
///
/// ```
/// use idlegate_detector::SettingsError;
///
/// let error = SettingsError::new("dwell", "is 0 s", "give the longest pause of a job, such as \"3 min\"");
/// assert_eq!(error.to_string(), "dwell is 0 s: give the longest pause of a job, such as \"3 min\"");
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SettingsError {
    setting: String,
    fault: String,
    remedy: String,
}

impl SettingsError {
    /// The name of the setting, what is wrong with it as a clause that follows the name ("is 0 s"), and the remedy as
    /// a request ("give …").
    ///
    /// ```
    /// use idlegate_detector::SettingsError;
    ///
    /// let error = SettingsError::new("firing_above", "is not above zero", "give a current such as 0.5");
    /// assert_eq!(error.to_string(), "firing_above is not above zero: give a current such as 0.5");
    /// ```
    pub fn new(setting: impl Into<String>, fault: impl Into<String>, remedy: impl Into<String>) -> Self {
        SettingsError { setting: setting.into(), fault: fault.into(), remedy: remedy.into() }
    }

    /// The setting at fault: a name, or a path such as `words[2]`. Empty if the fault is not in one setting.
    ///
    /// ```
    /// use idlegate_detector::SettingsError;
    ///
    /// assert_eq!(SettingsError::new("dwell", "is 0 s", "").setting(), "dwell");
    /// ```
    pub fn setting(&self) -> &str {
        &self.setting
    }
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = if self.setting.is_empty() { "the settings" } else { &self.setting };
        write!(f, "{name} {}", self.fault)?;
        if self.remedy.is_empty() { Ok(()) } else { write!(f, ": {}", self.remedy) }
    }
}

impl std::error::Error for SettingsError {}

/// The value of a setting that must be a number above zero; `remedy` says what to write instead ("give watts above zero, such
/// as 40").
///
/// ```
/// use idlegate_detector::settings::above_zero;
///
/// assert_eq!(above_zero("busy_watts", 40.0, "give watts such as 40"), Ok(40.0));
/// let error = above_zero("busy_watts", -3.0, "give watts such as 40").expect_err("below zero");
/// assert_eq!(error.to_string(), "busy_watts is -3: give watts such as 40");
/// ```
///
/// # Errors
/// When it is zero, negative, infinite or no number.
pub fn above_zero(setting: &str, value: f64, remedy: &str) -> Result<f64, SettingsError> {
    let good = value.is_finite() && value > 0.0;
    if good { Ok(value) } else { Err(SettingsError::new(setting, format!("is {value}"), remedy)) }
}

/// The value of a setting that must be a duration of some length.
///
/// ```
/// use idlegate_detector::{Span, settings::at_least};
///
/// assert_eq!(at_least("dwell", Span::from_secs(90), Span::from_secs(1)), Ok(Span::from_secs(90)));
/// let error = at_least("dwell", Span::ZERO, Span::from_secs(1)).expect_err("too short");
/// assert_eq!(error.to_string(), "dwell is 0 s: give at least 1 s");
/// ```
///
/// # Errors
/// When it is shorter than `least`.
pub fn at_least(setting: &str, span: crate::Span, least: crate::Span) -> Result<crate::Span, SettingsError> {
    if span >= least {
        return Ok(span);
    }
    Err(SettingsError::new(setting, format!("is {span}"), format!("give at least {least}")))
}

/// The JSON Schema (draft 2020-12) of a settings type, as the host sees it. Unknown keys are always refused.
///
/// ```
/// #[derive(serde::Deserialize, schemars::JsonSchema)]
/// struct Settings {
///     /// Busy above this draw, in watts.
///     busy_watts: f64,
/// }
///
/// let schema = idlegate_detector::settings_schema::<Settings>();
/// assert_eq!(schema["properties"]["busy_watts"]["description"], "Busy above this draw, in watts.");
/// assert_eq!(schema["additionalProperties"], false);
/// ```
pub fn settings_schema<S: schemars::JsonSchema>() -> Value {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let mut schema = generator.into_root_schema_for::<S>().to_value();
    if let Some(object) = schema.as_object_mut() {
        object.entry("additionalProperties").or_insert(Value::Bool(false));
        // A type without fields has no list of them, but every key must still be refused.
        object.entry("properties").or_insert_with(|| Value::Object(serde_json::Map::new()));
    }
    schema
}

/// Reads settings from JSON.
pub(crate) fn parse<S: DeserializeOwned + schemars::JsonSchema>(text: &str) -> Result<S, SettingsError> {
    let settings: Value = serde_json::from_str(text)
        .map_err(|error| SettingsError::new("", format!("are not JSON ({error})"), "give a JSON object"))?;
    let Value::Object(given) = &settings else {
        return Err(SettingsError::new("", "are not a table of names and values", "give a JSON object"));
    };
    let schema = settings_schema::<S>();
    if let Some(unknown) = given.keys().find(|key| schema["properties"].get(key.as_str()).is_none()) {
        return Err(unknown_setting(unknown, &schema));
    }
    serde_path_to_error::deserialize(settings).map_err(|error| {
        let path = error.path().to_string();
        unfit_setting(if path == "." { "" } else { &path }, &error.into_inner().to_string(), &schema)
    })
}

fn unknown_setting(unknown: &str, schema: &Value) -> SettingsError {
    let known: Vec<&str> =
        schema["properties"].as_object().into_iter().flatten().map(|(name, _)| name.as_str()).collect();
    let nearest = known.iter().map(|name| (strsim::osa_distance(unknown, name), name)).min();
    let remedy = match nearest {
        Some((distance, name)) if distance <= 1 + unknown.chars().count() / 4 => {
            format!("did you mean {name}?")
        }
        Some(_) => format!("this detector has {}", known.join(", ")),
        None => "this detector has no settings".to_owned(),
    };
    SettingsError::new(unknown, "is not a setting", remedy)
}

/// Turns serde's message about a value into ours. A message it does not know is passed on as it is.
fn unfit_setting(path: &str, message: &str, schema: &Value) -> SettingsError {
    if let Some(name) = quoted(message, "missing field `") {
        let purpose = schema["properties"][name]["description"].as_str().unwrap_or_default();
        return SettingsError::new(name, "is missing", purpose.replace('\n', " "));
    }
    if let Some(name) = quoted(message, "unknown field `") {
        return SettingsError::new(format!("{path}.{name}"), "is not a setting", "");
    }
    let found = message
        .split_once(", expected ")
        .and_then(|(found, expected)| Some((found.split_once("invalid ")?.1.split_once(": ")?.1, expected)));
    match found {
        Some((found, expected)) => {
            SettingsError::new(path, format!("is {}", plain(found)), format!("give {}", plain(expected)))
        }
        None => SettingsError::new(path, format!("is not right ({message})"), ""),
    }
}

fn quoted<'m>(message: &'m str, before: &str) -> Option<&'m str> {
    message.strip_prefix(before)?.split('`').next()
}

/// The types of Rust and serde, in words that the person who writes settings knows.
fn plain(words: &str) -> String {
    let plain = match words {
        "f64" | "f32" => "a number",
        "u64" | "u32" | "u16" | "u8" | "usize" => "a whole number that is not negative",
        "i64" | "i32" | "i16" | "i8" | "isize" => "a whole number",
        "a sequence" => "a list",
        "a string" => "text in quotes",
        "a boolean" => "true or false",
        "sequence" => "a list",
        "map" => "a table",
        "null" | "unit value" => "empty",
        _ => {
            let value = ["string ", "integer ", "floating point ", "boolean "]
                .iter()
                .find_map(|t| words.strip_prefix(t));
            return value.unwrap_or(words).replace('`', "");
        }
    };
    plain.to_owned()
}

#[cfg(test)]
mod tests {
    use super::parse;
    use crate::Span;

    #[derive(Debug, serde::Deserialize, schemars::JsonSchema)]
    #[expect(dead_code, reason = "only parsed")]
    struct Settings {
        /// Busy above this draw, in watts.
        busy_watts: f64,
        #[serde(default)]
        dwell: Span,
        #[serde(default)]
        words: Vec<String>,
        #[serde(default)]
        count: u32,
    }

    #[test]
    fn a_settings_error_names_the_setting_the_fault_and_the_remedy() {
        for (settings, error) in [
            (
                "{",
                "the settings are not JSON (EOF while parsing an object at line 1 column 1): give a JSON object",
            ),
            ("[]", "the settings are not a table of names and values: give a JSON object"),
            ("{}", "busy_watts is missing: Busy above this draw, in watts."),
            (r#"{"bsy_watts":1}"#, "bsy_watts is not a setting: did you mean busy_watts?"),
            (r#"{"colour":1}"#, "colour is not a setting: this detector has busy_watts, count, dwell, words"),
            (r#"{"busy_watts":"forty"}"#, r#"busy_watts is "forty": give a number"#),
            (r#"{"busy_watts":null}"#, "busy_watts is empty: give a number"),
            (
                r#"{"busy_watts":1,"dwell":"3 minutes"}"#,
                r#"dwell is "3 minutes": give a duration with a unit, such as "90 s", "3 min", "1 h" or "2 d""#,
            ),
            (
                r#"{"busy_watts":1,"dwell":180}"#,
                r#"dwell is 180: give a duration with a unit, such as "90 s", "3 min", "1 h" or "2 d""#,
            ),
            (r#"{"busy_watts":1,"words":["a",2]}"#, "words[1] is 2: give text in quotes"),
            (r#"{"busy_watts":1,"words":"a"}"#, r#"words is "a": give a list"#),
            (r#"{"busy_watts":1,"count":-1}"#, "count is -1: give a whole number that is not negative"),
        ] {
            assert_eq!(parse::<Settings>(settings).expect_err(settings).to_string(), error);
        }
    }

    #[test]
    fn the_schema_refuses_unknown_settings_too() {
        let schema = crate::settings_schema::<Settings>();
        assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
        assert_eq!(schema["additionalProperties"], false);
        assert_eq!(schema["required"], serde_json::json!(["busy_watts"]));
    }
}
