//! The job that was under way when the guard was there last: as much of it as its record needs.

use serde::{Deserialize, Serialize};

use idlegate_guard::time::WallTime;

// Whole numbers, since what is kept is compared.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct KeptJob {
    pub begun_ms: i64,
    /// It was found at work, and may have begun earlier.
    pub begin_unseen: bool,
    /// When this was written down.
    pub kept_ms: i64,
    /// It was seen at work last then.
    pub worked_ms: i64,
    /// It had fallen quiet then.
    pub quiet_since_ms: Option<i64>,
    /// In between nobody saw it for so long.
    pub unseen_ms: u64,
    /// Nothing for a machine without a meter.
    pub millijoules: Option<u64>,
    pub milliwatts_max: u64,
    /// In millionths of the currency; nothing without a tariff.
    pub cost_millionths: Option<u64>,
    /// An order to switch it off was on its way.
    pub off: Option<KeptOff>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct KeptOff {
    pub at_ms: i64,
    /// The word of its cause.
    pub cause: String,
    pub by: Option<String>,
    pub who: Option<String>,
}

/// Longer texts are not ours.
const TEXT_BYTES_MAX: usize = 2_048;

impl KeptJob {
    pub fn begun(&self) -> WallTime {
        WallTime(self.begun_ms)
    }

    /// A sum and a line of JSON, for a column that the sum of its row does not cover: an earlier version, which knows
    /// nothing of jobs, must find the row as sound as ever.
    pub fn to_text(&self, sum: impl Fn(&str) -> u32) -> String {
        let line = serde_json::to_string(self).expect("texts and numbers are JSON");
        format!("{:08x} {line}", sum(&line))
    }

    /// Nothing for what is damaged: a job is no reason to doubt a lockout.
    pub fn from_text(text: &str, sum: impl Fn(&str) -> u32) -> Option<KeptJob> {
        let (digits, line) = text.split_once(' ').filter(|_| text.len() <= TEXT_BYTES_MAX)?;
        (digits == format!("{:08x}", sum(line))).then(|| serde_json::from_str(line).ok())?
    }
}
