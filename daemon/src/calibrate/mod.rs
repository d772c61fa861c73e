//! Calibration: from recordings of a machine's draw to the settings of power-threshold.
//!
//! Three questions, one file each. Which draw tells idle from working ([`levels`](self))? How long must it be quiet
//! before a job is over, and not only pausing (`dwell.rs`)? When was it working, if nobody says (`jobs.rs`)? Every
//! proposal is rehearsed on the recording with the detector's own rules before it is made, and each answer comes with
//! what it rests on. Where the draw does not tell, nothing is proposed: doubt is said, not averaged away.

mod dwell;
mod jobs;
mod levels;
mod marks;
mod proposal;
mod rehearsal;
mod report;
mod take;
#[cfg(test)]
mod tests;
mod toml_file;

pub use marks::{Interval, IntervalFault, Marks};
pub use proposal::{Evidence, Proposal, Refusal, Settings, Sureness, calibrate};
pub use rehearsal::{LetThrough, let_through};
pub use report::{picture, words};
pub use take::{Sample, Take, TakeError};
pub use toml_file::{WriteError, Written, write};
