//! The rules: a folder of TOML files, checked as a whole and compiled into a [`Plan`](crate::plan::Plan).
//!
//! | step | file |
//! | --- | --- |
//! | read the folder once, within limits | [`folder`] |
//! | what may stand in a file: keys, types, meanings | `shape`, `shapes` |
//! | loose text → checked plain data, all problems gathered | [`compile`] |
//! | problems: place, fault, remedy, a stable code each | [`problem`], [`codes`] |
//! | where passwords come from | [`secrets`] |
//! | `idlegate check`, a JSON Schema for editors, a folder to begin with | [`check`], [`schema`], [`starter`] |
//!
//! Nothing here has an effect outside: a folder goes in, a plan or a list of problems comes out.

pub mod check;
pub mod codes;
pub mod compile;
pub mod folder;
mod last_good;
pub mod problem;
mod report;
pub mod schema;
pub mod secrets;
mod section;
mod shape;
mod shapes;
pub mod starter;
mod words;

pub use codes::{Code, explain};
pub use compile::{Compiled, DetectorCatalog, DetectorFacts, SignalFact, Surroundings, compile};
pub use folder::{Folder, load};
pub use last_good::{keep_last_good, last_good};
pub use problem::{Problem, Severity};
pub use secrets::{SecretSource, SystemSecrets};
pub use shapes::{SENTENCES, SentenceKind};
