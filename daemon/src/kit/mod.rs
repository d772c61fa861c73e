//! For whoever writes a detector: a crate to begin with, a look at a file, and a trial on a recording.
//!
//! Nothing here guards anything; what is tried runs in the same sandbox, under the same limits, as in the guard.

mod look;
mod new_crate;
mod sdk_source;
#[cfg(test)]
mod tests;
mod trial;

pub use look::Look;
pub use new_crate::{NewCrateError, write};
pub use trial::{Candidate, Trial, TrialError, Wanted};
