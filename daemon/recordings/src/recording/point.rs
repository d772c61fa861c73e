//! One value of one signal at one time.

use std::sync::Arc;

use idlegate_guard::time::WallTime;
use idlegate_plan::event::Value;

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

/// In a recording, a meter that speaks only when its value changes was there.
pub(crate) const SIGN_ALIVE: &str = "yes";
/// It was known to be gone.
pub(crate) const SIGN_GONE: &str = "no";
const SIGN: &str = "/alive";

/// The name under which signs of life of this signal's meter are recorded.
pub(crate) fn sign_name(signal: &str) -> String {
    format!("{signal}{SIGN}")
}

/// The signal that signs of life under this name are for.
pub(crate) fn of_sign(name: &str) -> Option<&str> {
    name.strip_suffix(SIGN)
}
