//! What the detectors said, and the readings behind it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Number;

use super::words::{self, NAME};
use super::{Word, forgiving};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Finding {
    /// A lower bound of the seconds until it may say idle
    pub clears_in_s: Option<f64>,
    #[schemars(regex(pattern = NAME))]
    pub detector: String,
    #[serde(deserialize_with = "forgiving::elements")]
    pub readings: Vec<Reading>,
    /// A clause with numbers: 118 W, busy above 40 W
    pub reason: String,
    /// What its word is for
    #[schemars(extend("enum" = words::ROLES))]
    pub role: Word,
    #[schemars(extend("enum" = words::STATES))]
    pub state: Word,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Reading {
    pub age_s: f64,
    #[schemars(regex(pattern = NAME))]
    pub signal: String,
    /// Nothing has come since, and its meter, which speaks only when its value changes, has shown that it is there
    pub unchanged: bool,
    /// As in the SenML units registry, or empty
    pub unit: String,
    /// Null for a number that JSON cannot write
    pub value: Option<Quantity>,
}

/// A number or a text
// Here the form itself is the difference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Quantity {
    Number(Number),
    Text(String),
}

impl Quantity {
    pub fn number(value: f64) -> Option<Quantity> {
        Number::from_f64(value).map(Quantity::Number)
    }

    pub fn as_f64(&self) -> Option<f64> {
        match self {
            Quantity::Number(number) => number.as_f64(),
            Quantity::Text(_) => None,
        }
    }
}
