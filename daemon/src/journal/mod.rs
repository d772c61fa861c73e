//! The journal: the durable record of what was asked, answered and seen, and of what survives a restart.
//!
//! | module | what it is for |
//! | --- | --- |
//! | `record`, `change`, `kept` | what is recorded and kept, in names |
//! | `handle`, `ticket`, `health`, `queue` | what the service holds: appending never waits for a disk |
//! | `writer`, `standing` | the journal's own thread: group commit, backlog, gap records, back-off |
//! | `store`, `memory` | the seam to where it is written; memory that fails on demand |
//! | `shelf`, `check`, `aside`, `schema` | opening a file: checked, migrated, set aside when damaged |
//! | `sqlite`, `rows`, `sums`, `ballast`, `retention` | the open file: rows and their sums, room to spare, bounds |
//! | `reader`, `export` | reading beside the writer; CloudEvents |
//!
//! Never on the guard's path, and without a say in it: a journal that cannot be written costs memory up to a
//! limit, then records, and every lost record is counted in a `gap` record. SCHEMA.md describes the file.

mod aside;
mod ballast;
mod change;
mod check;
pub mod export;
mod handle;
mod health;
mod kept;
pub mod memory;
mod queue;
mod reader;
mod record;
mod retention;
mod rows;
mod schema;
mod shelf;
mod sqlite;
mod sqlite_error;
mod standing;
mod store;
mod sums;
#[cfg(test)]
mod tests;
mod ticket;
mod writer;

pub use change::{Change, Entry};
pub use handle::{Journal, nobody_listens};
pub use health::{Counts, JournalHealth, Listener, News, Pace};
pub use kept::{Answered, Restored};
pub use reader::{Found, Query, Reader};
pub use record::{BODY_BYTES_MAX, BODY_DEPTH_MAX, BootId, Durability, Kind, Record, Row};
pub use schema::VERSION as SCHEMA_VERSION;
pub use shelf::{FileShelf, Limits};
pub use store::{OpenFailed, Opened, SetAside, Shelf, Store, StoreError};
pub use ticket::{Storing, Ticket};
