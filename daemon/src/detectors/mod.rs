//! The WASM host: loads busy detectors, runs them within limits and asks them for assessments.
//!
//! The way of a detector: a file is screened and compiled ([`Loader`]) into a [`Module`]; an [`Instance`] of it
//! works for one machine; a seat keeps its history and its conduct; [`Workers`] run the seats on threads of their
//! own, [`Inline`] runs them on the caller's. Whatever a detector does, it comes back as an
//! [`Assessed`](crate::event::Assessed): an assessment, or the reason why there is none, which counts as busy.

mod built_in;
mod cache;
mod contract_v1;
mod description;
mod fault;
mod feed;
mod guest;
mod history;
mod inline;
mod instance;
pub mod limits;
mod module;
mod office;
mod sandbox;
mod screening;
mod seat;
mod standing;
#[cfg(test)]
pub(crate) mod tests;
mod workers;

pub use built_in::{built_in, built_in_names};
pub use cache::{CacheError, CodeCache};
pub use description::{DeclaredSignal, Description, DescriptionError, ValueKind};
pub use fault::{Call, Cause, Fault};
pub use feed::{Feed, NotInstalled, Place};
pub use inline::Inline;
pub use instance::{Instance, SignalReading, StartError};
pub use module::{LoadError, Loader, Module};
pub use office::TooManyInstalled;
pub use sandbox::{Execution, Sandbox, SandboxError};
pub use screening::{CONTRACT_VERSION, FileKind, Screening, ScreeningError};
pub use seat::Installation;
pub use workers::{Wake, Workers};
