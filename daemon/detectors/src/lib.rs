//! The WASM host: loads busy detectors, runs them within limits and asks them for assessments.
//!
//! The way of a detector: a file is screened, and compiled in a process of its own ([`Loader`]) into a [`Module`]; an
//! [`Instance`] of it works for one machine; a runner keeps its history and its strikes; [`Workers`] call the runners
//! on threads of their own, [`Inline`] on the caller's. Whatever a detector does, it comes back as an
//! [`Assessed`](idlegate_plan::event::Assessed): an assessment, or the reason why there is none, which counts as busy.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod built_in;
mod cache;
mod catalog;
mod compiler;
mod contract_v1;
mod description;
mod fault;
mod guest;
mod history;
mod inline;
mod instance;
mod last_words;
pub mod limits;
mod memory;
mod module;
mod modules;
mod runner;
mod sandbox;
mod scheduler;
mod screening;
mod strikes;
#[cfg(test)]
pub(crate) mod tests;
mod unchecked;
mod workers;

pub use built_in::{built_in, built_in_names};
pub use cache::{CacheError, CodeCache};
pub use compiler::asked;
pub use description::{DeclaredSignal, Description, DescriptionError, ValueKind};
pub use fault::{Call, Fault, FaultCause};
pub use inline::Inline;
pub use instance::{Instance, SignalReading, StartError};
pub use memory::SharedMemory;
pub use module::{LoadError, Loader, Module, Pin};
pub use modules::Modules;
pub use runner::Installation;
pub use sandbox::{Execution, Sandbox, SandboxError};
pub use scheduler::{NotInstalled, TooManyInstalled};
pub use screening::{CONTRACT_VERSION, FileKind, Screening, ScreeningError};
pub use workers::{Wake, Workers};
