//! What is sent to a detector at work.

use super::instance::SignalReading;
use crate::event::Name;
use crate::time::Moment;

/// Where a detector works.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    pub machine: Name,
    /// Index into the machine's list of detectors.
    pub detector: usize,
}

/// Readings for one detector, and a question.
#[derive(Clone, Debug)]
pub struct Feed {
    pub place: Place,
    /// The installation that is meant; feeds for another are dropped.
    pub generation: u64,
    /// Counts the feeds of this installation, and comes back with the answer.
    pub feed: u64,
    pub readings: Vec<SignalReading>,
    pub assess_at: Moment,
}

/// A feed found nobody to take it: its detector was never installed there, or has been replaced.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no such detector is installed")]
pub struct NotInstalled;
