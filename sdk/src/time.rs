//! Points in time and durations, both in milliseconds.

use std::borrow::Cow;
use std::fmt;
use std::ops::Add;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A point in time: milliseconds on the host's monotonic scale. The origin means nothing, only differences do.
///
/// ```
/// use idlegate_detector::{Millis, Span};
///
/// let (earlier, later) = (Millis(1_000), Millis(61_000));
/// assert_eq!(later.since(earlier), Span::from_mins(1));
/// assert_eq!(earlier.since(later), Span::ZERO);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Millis(pub u64);

impl Millis {
    /// The time that passed since `earlier`, or zero if that is later than `self`.
    ///
    /// ```
    /// use idlegate_detector::{Millis, Span};
    ///
    /// assert_eq!(Millis(9_000).since(Millis(4_000)), Span::from_secs(5));
    /// assert_eq!(Millis(4_000).since(Millis(9_000)), Span::ZERO);
    /// ```
    #[must_use]
    pub const fn since(self, earlier: Millis) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Span> for Millis {
    type Output = Millis;

    /// Stops at the end of the scale rather than wrapping.
    fn add(self, span: Span) -> Millis {
        Millis(self.0.saturating_add(span.0))
    }
}

/// A duration. In settings it is written with its unit: "3 min", "90 s", "1 h 30 min".
///
/// The units are the UCUM codes d, h, min, s and ms. Decimals are allowed ("1.5 min"); the finest step is 1 ms.
///
/// ```
/// use idlegate_detector::Span;
///
/// assert_eq!("1 min 10 s".parse(), Ok(Span::from_secs(70)));
/// assert_eq!("1.5h".parse(), Ok(Span::from_mins(90)));
/// assert_eq!(Span::from_secs(70).to_string(), "1 min 10 s");
/// assert!("3 minutes".parse::<Span>().is_err());
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Span(u64);

/// A unit's UCUM code and its milliseconds, largest first.
const UNITS: [(&str, u64); 5] =
    [("d", 86_400_000), ("h", 3_600_000), ("min", 60_000), ("s", 1_000), ("ms", 1)];

/// Longest duration that can be written in settings: 100 years. It keeps every sum far from the end of the scale.
const SPAN_MAX_MILLIS: f64 = 36_525.0 * 86_400_000.0;

impl Span {
    /// No time at all.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::ZERO.to_string(), "0 s");
    /// ```
    pub const ZERO: Span = Span(0);

    /// A duration of milliseconds.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::from_millis(1_500).to_string(), "1 s 500 ms");
    /// ```
    #[must_use]
    pub const fn from_millis(millis: u64) -> Span {
        Span(millis)
    }

    /// A duration of seconds.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::from_secs(90).to_string(), "1 min 30 s");
    /// ```
    #[must_use]
    pub const fn from_secs(secs: u64) -> Span {
        Span(secs.saturating_mul(1_000))
    }

    /// A duration of minutes.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::from_mins(90).to_string(), "1 h 30 min");
    /// ```
    #[must_use]
    pub const fn from_mins(mins: u64) -> Span {
        Span(mins.saturating_mul(60_000))
    }

    /// The duration in milliseconds.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::from_secs(90).as_millis(), 90_000);
    /// ```
    #[must_use]
    pub const fn as_millis(self) -> u64 {
        self.0
    }

    /// The duration in seconds.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::from_millis(1_500).as_secs_f64(), 1.5);
    /// ```
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "exact to a millisecond for 285,000 years")]
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 / 1_000.0
    }

    /// The duration without its fraction of a second, as it reads best in a sentence.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::from_millis(90_700).whole_secs(), Span::from_secs(90));
    /// ```
    #[must_use]
    pub const fn whole_secs(self) -> Span {
        Span(self.0 - self.0 % 1_000)
    }

    /// The duration less `other`, or zero if `other` is longer.
    ///
    /// ```
    /// use idlegate_detector::Span;
    ///
    /// assert_eq!(Span::from_secs(90).saturating_sub(Span::from_secs(30)), Span::from_mins(1));
    /// assert_eq!(Span::from_secs(30).saturating_sub(Span::from_secs(90)), Span::ZERO);
    /// ```
    #[must_use]
    pub const fn saturating_sub(self, other: Span) -> Span {
        Span(self.0.saturating_sub(other.0))
    }
}

impl Add for Span {
    type Output = Span;

    /// Stops at the end of the scale rather than wrapping.
    fn add(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 == 0 {
            return f.write_str("0 s");
        }
        let (mut rest, mut gap) = (self.0, "");
        for (unit, millis) in UNITS {
            if rest >= millis {
                write!(f, "{gap}{} {unit}", rest / millis)?;
                (rest, gap) = (rest % millis, " ");
            }
        }
        Ok(())
    }
}

/// Text that is not a duration.
///
/// ```
/// use idlegate_detector::{Span, SpanError};
///
/// assert_eq!("3 minutes".parse::<Span>(), Err(SpanError));
/// assert!(SpanError.to_string().starts_with("a duration with a unit"));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SpanError;

impl fmt::Display for SpanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(EXPECTED)
    }
}

impl std::error::Error for SpanError {}

const EXPECTED: &str = "a duration with a unit, such as \"90 s\", \"3 min\", \"1 h\" or \"2 d\"";

impl FromStr for Span {
    type Err = SpanError;

    fn from_str(text: &str) -> Result<Span, SpanError> {
        let (mut total, mut rest) = first_part(text.trim()).ok_or(SpanError)?;
        while !rest.is_empty() {
            let (part, after) = first_part(rest).ok_or(SpanError)?;
            (total, rest) = (total + part, after);
        }
        millis(total).map(Span).ok_or(SpanError)
    }
}

/// The milliseconds of the first number and unit, and what comes after them.
fn first_part(text: &str) -> Option<(f64, &str)> {
    let digits = text.find(|c: char| !c.is_ascii_digit() && c != '.')?;
    let (number, rest) = text.split_at(digits);
    if !number.starts_with(|c: char| c.is_ascii_digit()) || number.ends_with('.') {
        return None;
    }
    let rest = rest.trim_start();
    let letters = rest.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(rest.len());
    let (name, rest) = rest.split_at(letters);
    let (_, millis) = UNITS.iter().find(|(unit, _)| *unit == name)?;
    #[expect(clippy::cast_precision_loss, reason = "a day in milliseconds is far below 2^53")]
    let factor = *millis as f64;
    Some((number.parse::<f64>().ok()? * factor, rest.trim_start()))
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and SPAN_MAX_MILLIS")]
fn millis(millis: f64) -> Option<u64> {
    (0.0..=SPAN_MAX_MILLIS).contains(&millis).then(|| millis.round() as u64)
}

impl Serialize for Span {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Span {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Span, D::Error> {
        struct Visitor;
        impl serde::de::Visitor<'_> for Visitor {
            type Value = Span;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(EXPECTED)
            }

            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Span, E> {
                text.parse().map_err(|_| E::invalid_value(serde::de::Unexpected::Str(text), &self))
            }
        }
        deserializer.deserialize_str(Visitor)
    }
}

impl schemars::JsonSchema for Span {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Span".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "pattern": r"^\s*(\d+(\.\d+)?\s*(d|h|min|s|ms)\s*)+$",
            "examples": ["90 s", "3 min", "1 h 30 min"],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_duration_needs_a_number_and_a_known_unit() {
        for (text, millis) in [
            ("3 min", Some(180_000)),
            ("90s", Some(90_000)),
            (" 1 h 30 min ", Some(5_400_000)),
            ("1h30min", Some(5_400_000)),
            ("0.5 d", Some(43_200_000)),
            ("250 ms", Some(250)),
            ("0 s", Some(0)),
            ("", None),
            ("3", None),
            ("min", None),
            ("-3 min", None),
            ("3 Min", None),
            ("3 m", None),
            ("1.2.3 s", None),
            (".5 s", None),
            ("5. s", None),
            ("1 s x", None),
            ("36526 d", None),
            ("1e3 s", None),
            ("٣ s", None),
        ] {
            assert_eq!(text.parse::<Span>().ok().map(Span::as_millis), millis, "{text:?}");
        }
    }

    #[test]
    fn a_duration_reads_back_as_it_was_written() {
        for millis in [0, 1, 999, 1_000, 61_001, 3_600_000, 90_061_001] {
            let span = Span::from_millis(millis);
            assert_eq!(span.to_string().parse(), Ok(span));
        }
    }
}
