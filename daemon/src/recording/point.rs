//! One value of one signal at one time.

use std::sync::Arc;

use super::error::LineFault;
use crate::event::Value;
use crate::intake::bounded;
use crate::time::WallTime;

#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// In CSV the heading of the column, in SenML the record's name.
    pub signal: Arc<str>,
    pub at: WallTime,
    pub value: Value,
    pub unit: Option<Arc<str>>,
    /// Where in the file, from 1.
    pub line: u64,
}

/// A time by RFC 3339, with Z or an offset.
pub fn parse_time(text: &str) -> Result<WallTime, LineFault> {
    match text.parse::<jiff::Timestamp>() {
        Ok(time) => Ok(WallTime(time.as_millisecond())),
        Err(_) => Err(LineFault::NotATime(bounded(text))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3339, section 5.8: its examples, save the two with a leap second. (1990-12-31T23:59:60Z is taken for the
    /// second before, since neither clock has a place for it.)
    #[test]
    fn times_are_read_by_rfc_3339() {
        for (text, millis) in [
            ("1985-04-12T23:20:50.52Z", 482_196_050_520),
            ("1996-12-19T16:39:57-08:00", 851_042_397_000),
            ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
            ("2011-12-17T00:00:02Z", 1_324_080_002_000),
        ] {
            assert_eq!(parse_time(text), Ok(WallTime(millis)), "{text}");
        }
        for leap in ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"] {
            assert_eq!(parse_time(leap), Ok(WallTime(662_687_999_000)), "{leap}");
        }
    }

    #[test]
    fn a_time_without_its_offset_could_be_any() {
        for text in [
            "",
            "2011-12-17",
            "2011-12-17T00:00:02",
            "1324080002",
            "17.12.2011 00:00",
            "2011-13-01T00:00:00Z",
        ] {
            assert!(parse_time(text).is_err(), "{text:?}");
        }
    }
}
