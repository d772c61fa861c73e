//! The service: the engine, the link, the detectors and the journal at work, around one loop.
//!
//! The loop owns the engine. It waits for messages, assessments and deadlines, hands each to the engine together
//! with the time, and carries out what comes back. It never waits for a disk, a detector or the broker.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod broker_store;
mod broker_watch;
#[cfg(test)]
mod careless_hub;
mod chance;
mod detectors;
mod dispatch;
mod doubt;
mod expiry_watch;
mod first_rules;
mod handover_writer;
mod health;
mod hearing;
mod journalling;
mod lines;
mod metrics;
mod monitor;
mod options;
mod page;
mod rate;
mod readings;
mod rejections;
mod reload;
mod rivals;
mod rules_history;
mod run;
mod stand_by;
mod state_folder;
mod supervisor;
mod trying;
mod wiring;

pub use first_rules::{FirstRules, Provenance, choose as first_rules};
pub use journalling::JOURNAL_FILE;
pub use options::Options;
pub use run::{GuardAtWork, Shutdown, run};
pub use stand_by::run as run_one_of_several;
pub use state_folder::{StateFolder, StateFolderError};
