//! For whoever writes a detector: a crate to begin with, the way from there to a file, a look at a file, and a trial on
//! a recording.
//!
//! Nothing here guards anything; what is tried runs in the same sandbox, under the same limits, as in the guard.

mod build;
mod columns;
mod expectation;
mod look;
mod new_crate;
mod sandbox_gaps;
mod sdk_source;
mod trial;

pub use build::{BuildError, Built, build};
pub use expectation::{Expectation, ExpectationError};
pub use look::Look;
pub use new_crate::{NewCrateError, write};
pub use trial::{Candidate, Trial, TrialError, Wanted};
