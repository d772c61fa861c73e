//! Calibration: from recordings of a machine's draw to the settings of power-threshold.
//!
//! Three questions, one file each. Which draw tells idle from working ([`levels`](self), of a `band`)? How long must it
//! be quiet before a job is over, and not only pausing (`dwell.rs`, from the `silences`)? When was it working, if
//! nobody says (`jobs.rs`)? Every proposal is rehearsed on the recording with the detector's own rules before it is
//! made, and each answer comes with what it rests on. Where the draw does not tell, nothing is proposed: doubt is said,
//! not averaged away.

mod band;
mod dwell;
mod jobs;
mod levels;
mod marks;
mod proposal;
mod rehearsal;
mod report;
#[cfg(test)]
mod separable_tests;
mod silences;
mod take;
#[cfg(test)]
mod tests;
mod toml_file;
pub mod unusual;

pub use dwell::{FLOOR, HORIZON, JobWorth, dwell_for};
pub use marks::{Interval, IntervalFault, Marks};
pub use proposal::{Cut, Evidence, Proposal, Refusal, Settings, Side, Sureness, calibrate};
pub use rehearsal::{LetThrough, let_through};
pub use report::{bare_picture, picture, words};
pub use silences::Silences;
pub use take::{Sample, Take, TakeError};
pub use toml_file::{WriteError, Written, write};
