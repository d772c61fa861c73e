//! The service: the engine, the link, the detectors and the journal at work, around one loop.
//!
//! The loop owns the engine. It waits for messages, assessments and deadlines, hands each to the engine together
//! with the time, and carries out what comes back. It never waits for a disk, a detector or the broker.

mod carrying;
mod catalog;
mod dispatch;
mod health;
mod journalling;
mod metrics;
mod modules;
mod monitor;
mod options;
mod rate;
mod reload;
mod run;
mod stand_by;
mod supervisor;
mod wiring;

pub use journalling::JOURNAL_FILE;
pub use modules::Modules;
pub use options::Options;
pub use run::run;
pub use stand_by::run as run_one_of_several;
