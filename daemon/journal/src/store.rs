//! The seam between the journal's thread and what it writes to: a file, memory, or a disk that fails on demand.

use std::fmt;
use std::path::PathBuf;

use super::change::Entry;
use super::kept::Restored;
use idlegate_guard::time::Now;

/// Where a journal lies, open or not. Called from the journal's own thread only.
pub trait Backend: Send + fmt::Debug {
    /// Opens the journal, making it if there is none. A damaged one is set aside, and so is one that was found
    /// to be damaged in use.
    fn open(&mut self, now: Now, found_damaged: Option<&str>) -> Result<Opened, OpenFailed>;
}

/// An open journal.
pub trait Store: Send + fmt::Debug {
    /// Stores all of it or nothing. After `Ok` it has reached the disk.
    fn store(&mut self, batch: &[&Entry]) -> Result<(), StoreError>;

    /// Retention and housekeeping: a bounded piece of work. True when there is more to do.
    fn tend(&mut self, now: Now) -> Result<bool, StoreError>;
}

#[derive(Debug)]
pub struct Opened {
    pub store: Box<dyn Store>,
    pub restored: Restored,
    pub set_aside: Option<SetAside>,
}

/// A damaged journal that was renamed, for people to look at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    pub file: PathBuf,
    pub why: String,
}

/// Not open; what an earlier run left behind may be known all the same.
#[derive(Debug)]
pub struct OpenFailed {
    pub error: StoreError,
    pub restored: Option<Restored>,
}

impl From<StoreError> for OpenFailed {
    fn from(error: StoreError) -> OpenFailed {
        OpenFailed { error, restored: None }
    }
}

/// Why nothing was stored.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    #[error("the disk is full ({0})")]
    Full(String),
    #[error("the disk is read-only ({0})")]
    ReadOnly(String),
    #[error("another program has locked the journal ({0})")]
    Locked(String),
    #[error("the journal's file is damaged ({0})")]
    Damaged(String),
    #[error("the journal was written by a later version (schema {found}, this one knows {known})")]
    Newer { found: i64, known: i64 },
    #[error("the disk does not work ({0})")]
    Io(String),
    /// The records themselves were not accepted; others would be.
    #[error("not accepted ({0})")]
    Refused(String),
}
