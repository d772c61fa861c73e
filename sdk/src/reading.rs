//! What a detector is shown.

use crate::Millis;

/// The value of a reading.
///
/// ```
/// use idlegate_detector::{Millis, Reading, Value};
///
/// assert_eq!(Reading::number(0, Millis(0), 118.0).value, Value::Number(118.0));
/// assert_eq!(Reading::text(1, Millis(0), "cutting").value, Value::Text("cutting".to_owned()));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A number in the signal's unit, never NaN and never infinite.
    Number(f64),
    /// A word or a short piece of text, as it was received.
    Text(String),
}

/// One value of one signal at one time.
///
/// ```
/// use idlegate_detector::{Millis, Reading};
///
/// let reading = Reading::number(0, Millis(1_000), 118.0);
/// assert_eq!(reading.as_number(), Some(118.0));
/// assert_eq!(reading.as_text(), None);
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The index of the signal in the detector's description.
    pub signal: u32,
    /// When it was taken.
    pub at: Millis,
    /// What was read.
    pub value: Value,
}

impl Reading {
    /// A reading that is a number in the signal's unit.
    ///
    /// ```
    /// use idlegate_detector::{Millis, Reading};
    ///
    /// let power = Reading::number(0, Millis(1_000), 118.0);
    /// assert_eq!((power.signal, power.at), (0, Millis(1_000)));
    /// ```
    pub fn number(signal: u32, at: Millis, number: f64) -> Self {
        Reading { signal, at, value: Value::Number(number) }
    }

    /// A reading that is text.
    ///
    /// ```
    /// use idlegate_detector::{Millis, Reading};
    ///
    /// let status = Reading::text(1, Millis(1_000), "cutting");
    /// assert_eq!((status.signal, status.at), (1, Millis(1_000)));
    /// ```
    pub fn text(signal: u32, at: Millis, text: impl Into<String>) -> Self {
        Reading { signal, at, value: Value::Text(text.into()) }
    }

    /// The number, unless the reading is text.
    ///
    /// ```
    /// use idlegate_detector::{Millis, Reading};
    ///
    /// assert_eq!(Reading::number(0, Millis(0), 118.0).as_number(), Some(118.0));
    /// assert_eq!(Reading::text(0, Millis(0), "118").as_number(), None);
    /// ```
    pub fn as_number(&self) -> Option<f64> {
        match &self.value {
            Value::Number(number) => Some(*number),
            Value::Text(_) => None,
        }
    }

    /// The text, unless the reading is a number.
    ///
    /// ```
    /// use idlegate_detector::{Millis, Reading};
    ///
    /// assert_eq!(Reading::text(0, Millis(0), "cutting").as_text(), Some("cutting"));
    /// assert_eq!(Reading::number(0, Millis(0), 118.0).as_text(), None);
    /// ```
    pub fn as_text(&self) -> Option<&str> {
        match &self.value {
            Value::Number(_) => None,
            Value::Text(text) => Some(text),
        }
    }
}
