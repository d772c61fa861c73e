//! Signals: the newest reading of each, and since when.
//!
//! What a detector has been shown is kept with the detector, and whether a reading from before its last stop counts is
//! decided there. Nothing here reads a clock.

mod doubt;
mod life;
mod state;

pub use life::{SHOWN_EVERY, Sign, sign, sign_filter};
pub use state::{Arrived, NoReading, SignalState, read};
