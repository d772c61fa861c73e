//! SenML JSON (RFC 8428): a pack of records with base values, resolved into records that stand alone, and back.
//!
//! A pack is taken or refused as a whole: a sender that is wrong about one record is not believed about the others.

mod resolve;
mod write;

#[cfg(test)]
mod examples;

pub use resolve::{resolve, resolve_in_time_order};
pub use write::write_pack;

use super::stamp::Stamp;
use idlegate_guard::time::{Span, WallTime};

/// One resolved record.
#[derive(Clone, Debug, PartialEq)]
pub struct SenmlRecord {
    pub name: String,
    pub unit: Option<String>,
    pub value: Option<SenmlValue>,
    /// The integrated value, for example joules beside watts.
    pub sum: Option<f64>,
    /// Seconds: since 1970 where at least 2^28, else relative to now.
    pub time: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub enum SenmlValue {
    Number(f64),
    Text(String),
    Bool(bool),
    /// Bytes in base64 with the URL-safe alphabet, as they stand in the pack.
    Data(String),
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SenmlFault {
    #[error("{0}")]
    NotJson(String),
    #[error("a pack is an array of records")]
    NotAPack,
    #[error("record {0} is not an object")]
    NotARecord(usize),
    #[error("{label:?} in record {record} is not {expected}")]
    WrongKind { record: usize, label: &'static str, expected: &'static str },
    #[error("{label:?} in record {record} must be understood, and is not")]
    MustUnderstand { record: usize, label: String },
    #[error("record {0} has more than one value")]
    TwoValues(usize),
    #[error("record {0} has neither a value nor a sum")]
    NoValue(usize),
    #[error("record {record} has the name {name:?}, which SenML does not allow")]
    BadName { record: usize, name: String },
    #[error("record {record}: {label:?} and its base value add up to no finite number")]
    OutOfRange { record: usize, label: &'static str },
    #[error("version {0} is newer than the 10 of RFC 8428")]
    NewerVersion(u64),
    #[error("record {0} has another version than those before")]
    MixedVersions(usize),
    #[error("a pack of more than {RECORDS_MAX} records")]
    TooMany,
}

/// A meter sends a handful, one that was out of reach some hundred, a recorder one pack per line. Several full packs
/// find room with a detector that is still at work on the first.
pub(super) const RECORDS_MAX: usize = 1_024;

/// Section 4.5.3: from here on, seconds count from 1970; below, from roughly now.
pub const ABSOLUTE_FROM_SECS: f64 = 268_435_456.0;

impl SenmlRecord {
    /// When it was measured, as far as it says.
    pub fn stamp(&self) -> Stamp {
        let millis = (self.time * 1_000.0).round();
        if self.time >= ABSOLUTE_FROM_SECS {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "`as` saturates, and the end of the scale stays late"
            )]
            return Stamp::Wall(WallTime(millis as i64));
        }
        if millis < 0.0 {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "positive, and `as` saturates: older than everything"
            )]
            return Stamp::Ago(Span(-millis as u64));
        }
        Stamp::Arrival
    }

    pub(super) fn is_absolute(&self) -> bool {
        self.time >= ABSOLUTE_FROM_SECS
    }
}

/// Section 4.5.1: letters, digits and - : . / _ only, beginning with a letter or digit.
pub(super) fn is_name(name: &str) -> bool {
    let allowed = |byte: u8| byte.is_ascii_alphanumeric() || b"-:./_".contains(&byte);
    name.bytes().next().is_some_and(|byte| byte.is_ascii_alphanumeric()) && name.bytes().all(allowed)
}
