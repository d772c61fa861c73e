//! The journal: the durable record of what was asked, answered and seen, and of what survives a restart.
//!
//! | module | what it is for |
//! | --- | --- |
//! | `record`, `change`, `kept` | what is recorded and kept, in names |
//! | `handle`, `ticket`, `health`, `queue` | what the service holds: appending never waits for a disk |
//! | `writer`, `snapshot` | the journal's own thread: group commit, backlog, gap records, back-off |
//! | `store`, `memory` | the seam to where it is written; memory that fails on demand |
//! | `file_backend`, `check`, `copy`, `set_aside`, `schema` | opening a file: checked, migrated, set aside when damaged |
//! | `sqlite`, `sqlite_error`, `rows`, `sums`, `reserve`, `retention` | the open file: rows and their sums, room to spare, bounds |
//! | `alive` | the last sign of life of a run that was killed; how long the clock has run evenly |
//! | `names` | blanks the names of people in old decisions |
//! | `reader`, `export` | reading beside the writer; CloudEvents |
//!
//! Never on the guard's path, and without a say in it: a journal that cannot be written costs memory up to a
//! limit, then records, and every lost record is counted in a `gap` record. SCHEMA.md describes the file.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod alive;
mod change;
mod check;
mod copy;
pub mod export;
mod file_backend;
mod handle;
mod health;
mod kept;
pub mod memory;
mod names;
mod queue;
mod reader;
mod record;
mod reserve;
mod retention;
mod rows;
mod schema;
mod set_aside;
mod snapshot;
mod sqlite;
mod sqlite_error;
mod store;
mod sums;
#[cfg(test)]
mod tests;
mod ticket;
mod writer;

pub use change::{Change, Entry};
pub use copy::{Copied, LockoutCopy};
pub use file_backend::{FileBackend, Limits};
pub use handle::{Journal, nobody_listens};
pub use health::{Counts, JournalHealth, Listener, News, Pace};
pub use kept::{Answered, Restored};
pub use reader::{Found, JournalReader, Query};
pub use record::{BootId, Durability, Record, RecordKind, Row};
pub use reserve::READINGS_FOLDER;
pub use schema::VERSION as SCHEMA_VERSION;
pub use store::{Backend, OpenFailed, Opened, SetAside, Store, StoreError};
pub use ticket::{Storing, Ticket};
