//! Why a payload is not a value, and how often.

use std::collections::BTreeMap;

use super::senml::SenmlFault;
use idlegate_plan::text::bounded;

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Rejection {
    #[error("the payload has {0} bytes, more than {max}", max = super::decode::PAYLOAD_BYTES_MAX)]
    TooLong(usize),
    #[error("the payload is not UTF-8")]
    NotUtf8,
    #[error("the payload begins with a byte order mark")]
    ByteOrderMark,
    #[error("there is no value, only white space or nothing at all")]
    Empty,
    #[error("{0:?} is not a number")]
    NotANumber(String),
    #[error("{0:?} is not a finite number")]
    NotFinite(String),
    #[error("{0:?} has a comma: if this sender writes a decimal comma, set decimal = \",\"")]
    DecimalComma(String),
    #[error("{0:?} has a decimal point, but the rules say decimal = \",\"")]
    DecimalPoint(String),
    #[error("{0:?} has more than one decimal mark: thousands separators are never accepted")]
    Separators(String),
    #[error("what follows the number in {0:?} is not a unit that is known here")]
    UnknownUnit(String),
    #[error("the payload gives its value in {said:?}, but the rules name no unit: set unit = {code:?}")]
    UnitNotDeclared { said: String, code: String },
    #[error("the payload gives its value in {said:?}, and the rules take it for {wanted:?}")]
    OtherUnit { said: String, wanted: String },
    #[error(
        "the payload gives its own unit, {0:?}, but the rules set a scale or an offset as well: remove those"
    )]
    UnitAndScale(String),
    #[error("the payload is not JSON: {0}")]
    NotJson(String),
    #[error("the member {0:?} stands in the payload twice")]
    TwiceThere(String),
    #[error("there is nothing at {0:?} in the payload")]
    NothingThere(String),
    #[error("what stands at {0:?} is an object, an array or null, and no value")]
    NotAValue(String),
    #[error("there is nothing at {pointer:?}, since what stands at {at:?} is neither an object nor an array")]
    NotInside { pointer: String, at: String },
    #[error("some records called {0:?} count their time from 1970 and some from now")]
    MixedTimes(String),
    #[error("the value is longer than {0} characters")]
    ValueTooLong(usize),
    #[error("the payload is no SenML: {0}")]
    NotSenml(#[from] SenmlFault),
}

impl Rejection {
    /// Whether the message is sound and only speaks of something else: a member that is not there in a good object, a
    /// record that is not there in a good pack. Everything else is a message about the value that cannot be read.
    pub const fn says_nothing(&self) -> bool {
        matches!(self, Rejection::NothingThere(_))
    }

    /// One word for counters; the message says the rest.
    pub const fn word(&self) -> &'static str {
        match self {
            Rejection::TooLong(_) => "too-long",
            Rejection::NotUtf8 => "not-utf8",
            Rejection::ByteOrderMark => "byte-order-mark",
            Rejection::Empty => "empty",
            Rejection::NotANumber(_) => "not-a-number",
            Rejection::NotFinite(_) => "not-finite",
            Rejection::DecimalComma(_) => "decimal-comma",
            Rejection::DecimalPoint(_) => "decimal-point",
            Rejection::Separators(_) => "separators",
            Rejection::UnknownUnit(_) => "unknown-unit",
            Rejection::UnitNotDeclared { .. } => "unit-not-declared",
            Rejection::OtherUnit { .. } => "other-unit",
            Rejection::UnitAndScale(_) => "unit-and-scale",
            Rejection::NotJson(_) => "not-json",
            Rejection::TwiceThere(_) => "twice-there",
            Rejection::NothingThere(_) => "nothing-there",
            Rejection::NotAValue(_) => "not-a-value",
            Rejection::NotInside { .. } => "not-inside",
            Rejection::MixedTimes(_) => "mixed-times",
            Rejection::ValueTooLong(_) => "value-too-long",
            Rejection::NotSenml(_) => "not-senml",
        }
    }
}

/// How often what was rejected, by word. Never more entries than there are words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RejectionCounts(BTreeMap<&'static str, u64>);

impl RejectionCounts {
    pub fn count(&mut self, word: &'static str) {
        let count = self.0.entry(word).or_default();
        *count = count.saturating_add(1);
    }

    pub fn iter(&self) -> impl Iterator<Item = (&'static str, u64)> + '_ {
        self.0.iter().map(|(word, count)| (*word, *count))
    }

    pub fn total(&self) -> u64 {
        self.0.values().fold(0, |total, count| total.saturating_add(*count))
    }
}

/// JSON in which no object has the same member twice: readers differ about which of the two counts, so neither
/// does here.
pub(super) fn parse_strictly(text: &str) -> Result<serde_json::Value, Rejection> {
    let strict: Strict = serde_json::from_str(text).map_err(|error| {
        let told = error.to_string();
        match told.strip_prefix(TWICE).and_then(|rest| rest.split(TWICE_END).next()) {
            Some(member) => Rejection::TwiceThere(bounded(member)),
            None => Rejection::NotJson(bounded(&told)),
        }
    })?;
    Ok(strict.0)
}

const TWICE: &str = "member twice: ";
const TWICE_END: &str = "\u{1} at line";

struct Strict(serde_json::Value);

impl<'de> serde::Deserialize<'de> for Strict {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Strict, D::Error> {
        deserializer.deserialize_any(StrictVisitor).map(Strict)
    }
}

struct StrictVisitor;

impl<'de> serde::de::Visitor<'de> for StrictVisitor {
    type Value = serde_json::Value;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Self::Value, E> {
        Ok(value.into())
    }

    fn visit_i64<E>(self, value: i64) -> Result<Self::Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Self::Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Self::Value, E> {
        let number = serde_json::Number::from_f64(value);
        number.map(Into::into).ok_or_else(|| E::custom("a number out of range"))
    }

    fn visit_str<E>(self, value: &str) -> Result<Self::Value, E> {
        Ok(value.into())
    }

    fn visit_unit<E>(self) -> Result<Self::Value, E> {
        Ok(serde_json::Value::Null)
    }

    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut items: A) -> Result<Self::Value, A::Error> {
        let mut array = Vec::new();
        while let Some(Strict(item)) = items.next_element()? {
            array.push(item);
        }
        Ok(array.into())
    }

    fn visit_map<A: serde::de::MapAccess<'de>>(self, mut members: A) -> Result<Self::Value, A::Error> {
        let mut object = serde_json::Map::new();
        while let Some(name) = members.next_key::<String>()? {
            let Strict(value) = members.next_value()?;
            if object.contains_key(&name) {
                return Err(serde::de::Error::custom(format_args!("{TWICE}{name}\u{1}")));
            }
            object.insert(name, value);
        }
        Ok(object.into())
    }
}
