//! The newest reading of each signal, and which signals have not been seen yet.

use crate::{Assessment, Description, Reading};

/// The newest reading of every signal a detector reads.
///
/// ```
/// use idlegate_detector::{Description, Latest, Millis, Reading, Signal};
///
/// const DESCRIPTION: Description = Description {
///     name: "laser-tube",
///     version: "1.0.0",
///     purpose: "busy while the tube fires with the lid closed",
///     signals: &[Signal::number("tube-current", "mA", ""), Signal::number("lid", "", "")],
/// };
/// const TUBE: u32 = DESCRIPTION.signal("tube-current");
/// const LID: u32 = DESCRIPTION.signal("lid");
///
/// let mut latest = Latest::of(&DESCRIPTION);
/// latest.take(&Reading::number(TUBE, Millis(0), 17.0));
/// assert_eq!((latest.number(TUBE), latest.number(LID)), (Some(17.0), None));
/// assert_eq!(latest.unseen().map(|unknown| unknown.reason).as_deref(), Some("no reading of lid yet"));
/// ```
#[derive(Debug, Clone)]
pub struct Latest {
    description: Description,
    readings: Vec<Option<Reading>>,
}

impl Latest {
    /// Nothing has been seen yet.
    ///
    /// ```
    /// # use idlegate_detector::{Description, Latest, Signal};
    /// # const DESCRIPTION: Description = Description {
    /// #     name: "mill", version: "1.0.0", purpose: "", signals: &[Signal::number("power", "W", "")],
    /// # };
    /// assert!(Latest::of(&DESCRIPTION).unseen().is_some());
    /// ```
    pub fn of(description: &Description) -> Latest {
        Latest { description: *description, readings: vec![None; description.signals.len()] }
    }

    /// Keeps a reading, in place of the one before it on the same signal.
    ///
    /// ```
    /// # use idlegate_detector::{Description, Latest, Millis, Reading, Signal};
    /// # const DESCRIPTION: Description = Description {
    /// #     name: "mill", version: "1.0.0", purpose: "", signals: &[Signal::number("power", "W", "")],
    /// # };
    /// let mut latest = Latest::of(&DESCRIPTION);
    /// latest.take(&Reading::number(0, Millis(0), 4.0));
    /// latest.take(&Reading::number(0, Millis(1_000), 90.0));
    /// assert_eq!(latest.number(0), Some(90.0));
    /// ```
    pub fn take(&mut self, reading: &Reading) {
        if let Some(place) = self.readings.get_mut(reading.signal as usize) {
            *place = Some(reading.clone());
        }
    }

    /// The newest reading of a signal.
    ///
    /// ```
    /// # use idlegate_detector::{Description, Latest, Millis, Reading, Signal};
    /// # const DESCRIPTION: Description = Description {
    /// #     name: "mill", version: "1.0.0", purpose: "", signals: &[Signal::number("power", "W", "")],
    /// # };
    /// let mut latest = Latest::of(&DESCRIPTION);
    /// latest.take(&Reading::number(0, Millis(1_000), 90.0));
    /// assert_eq!(latest.reading(0).map(|reading| reading.at), Some(Millis(1_000)));
    /// ```
    pub fn reading(&self, signal: u32) -> Option<&Reading> {
        self.readings.get(signal as usize)?.as_ref()
    }

    /// Its number, unless it is text or has not been seen.
    ///
    /// ```
    /// # use idlegate_detector::{Description, Latest, Signal};
    /// # const DESCRIPTION: Description = Description {
    /// #     name: "mill", version: "1.0.0", purpose: "", signals: &[Signal::number("power", "W", "")],
    /// # };
    /// assert_eq!(Latest::of(&DESCRIPTION).number(0), None);
    /// ```
    pub fn number(&self, signal: u32) -> Option<f64> {
        self.reading(signal)?.as_number()
    }

    /// Its text, unless it is a number or has not been seen.
    ///
    /// ```
    /// # use idlegate_detector::{Description, Latest, Millis, Reading, Signal};
    /// # const DESCRIPTION: Description = Description {
    /// #     name: "mill", version: "1.0.0", purpose: "", signals: &[Signal::text("status", "")],
    /// # };
    /// let mut latest = Latest::of(&DESCRIPTION);
    /// latest.take(&Reading::text(0, Millis(0), "cutting"));
    /// assert_eq!(latest.text(0), Some("cutting"));
    /// ```
    pub fn text(&self, signal: u32) -> Option<&str> {
        self.reading(signal)?.as_text()
    }

    /// Unknown, with what is missing, until every needed signal has been seen.
    ///
    /// ```
    /// # use idlegate_detector::{Description, Latest, Millis, Reading, Signal};
    /// # const DESCRIPTION: Description = Description {
    /// #     name: "mill", version: "1.0.0", purpose: "",
    /// #     signals: &[Signal::number("power", "W", ""), Signal::number("lid", "", "").optional()],
    /// # };
    /// let mut latest = Latest::of(&DESCRIPTION);
    /// assert_eq!(latest.unseen().map(|unknown| unknown.reason).as_deref(), Some("no reading of power yet"));
    /// latest.take(&Reading::number(0, Millis(0), 4.0));
    /// assert_eq!(latest.unseen(), None);
    /// ```
    pub fn unseen(&self) -> Option<Assessment> {
        let pairs = self.description.signals.iter().zip(&self.readings);
        let unseen: Vec<&str> = pairs
            .filter(|(signal, seen)| signal.needed && seen.is_none())
            .map(|(signal, _)| signal.name)
            .collect();
        match unseen.split_last() {
            None => None,
            Some((one, [])) => Some(Assessment::unknown(format!("no reading of {one} yet"))),
            Some((last, others)) => {
                Some(Assessment::unknown(format!("no readings of {} and {last} yet", others.join(", "))))
            }
        }
    }
}
