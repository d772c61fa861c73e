//! The rules: a folder of TOML files, checked as a whole and compiled into a [`Plan`](idlegate_plan::Plan).
//!
//! | step | file |
//! | --- | --- |
//! | read the folder once, within limits | [`folder`] |
//! | what may stand in a file: keys, types, meanings, and what counts without them | `form`, `tables`, `defaults` |
//! | the small languages inside the values; slips of the pen | `words`, `slips` |
//! | typed access to a table that has been checked | `section` |
//! | loose text → checked plain data, all problems gathered | [`compile`] |
//! | problems: place, fault, remedy, a stable code each | [`problem`], `problems`, [`codes`] |
//! | where passwords come from, and what of them may be shown | [`secrets`], `confidential` |
//! | what a job is worth, while the rules are unfinished | `job_worth` |
//! | the copy of the last good rules; a mark while others are tried | `last_good`, `copying`, [`tried`] |
//! | every folder that was accepted, to show and to restore | [`history`] |
//! | `idlegate check`, a JSON Schema for editors, the page of the keys | [`check`], [`schema`], [`reference`] |
//! | a folder to begin with | [`starter`] |
//!
//! But for copies of the rules, nothing here has an effect outside: a folder goes in, a plan or a list of problems
//! comes out.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod check;
pub mod codes;
pub mod compile;
mod confidential;
mod copying;
mod defaults;
pub mod folder;
mod form;
pub mod history;
mod job_worth;
mod last_good;
pub mod problem;
mod problems;
pub mod reference;
pub mod schema;
pub mod secrets;
mod section;
mod slips;
pub mod starter;
mod tables;
pub mod tried;
mod words;

pub use codes::{Code, explain};
pub use compile::{Compiled, DetectorCatalog, DetectorFacts, SignalFact, Surroundings, compile, is_duration};
pub use confidential::without_secrets;
pub use folder::{FILE_BYTES_MAX, Folder, MODULE_BYTES_MAX, load};
pub use job_worth::job_worth;
pub use last_good::{keep_last_good, last_good};
pub use problem::{Problem, Severity};
pub use secrets::{SecretSource, SystemSecrets};
