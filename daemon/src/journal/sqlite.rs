//! An open journal file.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::ballast::Ballast;
use super::change::Entry;
use super::record::BootId;
use super::shelf::Limits;
use super::sqlite_error::store_error;
use super::store::{Store, StoreError};
use super::{retention, rows};
use crate::time::Now;

#[derive(Debug)]
pub(super) struct SqliteStore {
    connection: Connection,
    file: PathBuf,
    identity: Identity,
    boot: BootId,
    limits: Limits,
    ballast: Ballast,
}

/// Which files were opened: somebody may remove or replace them while they are in use, and SQLite would go on
/// writing into files that nobody can ever open again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Identity {
    main: Option<u64>,
    wal: Option<u64>,
}

impl Identity {
    fn of(file: &Path) -> Identity {
        let inode = |path: &Path| fs::metadata(path).ok().map(|metadata| metadata.ino());
        Identity { main: inode(file), wal: inode(&wal_file(file)) }
    }
}

pub(super) fn wal_file(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

impl SqliteStore {
    pub(super) fn new(connection: Connection, file: &Path, boot: BootId, limits: Limits) -> SqliteStore {
        let ballast = Ballast::beside(file, limits.ballast_bytes);
        if let Err(error) = ballast.load() {
            tracing::debug!(%error, "no ballast");
        }
        SqliteStore { connection, file: file.to_owned(), identity: Identity::of(file), boot, limits, ballast }
    }

    fn check_files(&self) -> Result<(), StoreError> {
        let found = Identity::of(&self.file);
        if found.main != self.identity.main {
            return Err(StoreError::Damaged("the file was removed or replaced while in use".into()));
        }
        if self.identity.wal.is_some() && found.wal != self.identity.wal {
            // Closing writes what the removed log held into the main file; opening makes a new log.
            return Err(StoreError::Io("the write-ahead log was removed while in use".into()));
        }
        if fs::metadata(wal_file(&self.file)).is_ok_and(|metadata| metadata.len() > self.limits.log_bytes_max)
        {
            self.connection
                .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, i64>(0))
                .map_err(store_error)
                .and_then(|busy| match busy {
                    0 => Ok(()),
                    _ => Err(StoreError::Locked("a reader does not let go".into())),
                })?;
        }
        Ok(())
    }

    fn write(&mut self, batch: &[&Entry]) -> rusqlite::Result<()> {
        let transaction = Transaction::new(&mut self.connection, TransactionBehavior::Immediate)?;
        let boot = rows::boot_number(&transaction, &self.boot)?;
        let mut seq = rows::next_seq(&transaction)?;
        for entry in batch {
            for row in &entry.rows {
                rows::insert_record(&transaction, seq, (boot, &self.boot), row)?;
                seq += 1;
            }
            for (machine, kept) in &entry.kept {
                rows::put_kept(&transaction, machine, kept)?;
            }
            for answered in &entry.answered {
                rows::put_answered(&transaction, answered)?;
            }
        }
        transaction.commit()
    }

    /// Makes room in the file, and on the disk, until the batch fits or nothing is left to give.
    fn write_making_room(&mut self, batch: &[&Entry], full: StoreError) -> Result<(), StoreError> {
        let first = retention::make_room(&mut self.connection);
        let mut outcome = first.and_then(|()| self.write(batch)).map_err(store_error);
        if matches!(outcome, Err(StoreError::Full(_))) && self.ballast.release() {
            // With room for the log again, old records can go.
            let second = retention::make_room(&mut self.connection);
            outcome = second.and_then(|()| self.write(batch)).map_err(store_error);
        }
        match outcome {
            Err(StoreError::Full(_)) => Err(full),
            other => other,
        }
    }
}

impl Store for SqliteStore {
    fn store(&mut self, batch: &[&Entry]) -> Result<(), StoreError> {
        self.check_files()?;
        let outcome = match self.write(batch).map_err(store_error) {
            Err(full @ StoreError::Full(_)) => self.write_making_room(batch, full),
            other => other,
        };
        if outcome.is_ok() && self.identity.wal.is_none() {
            self.identity.wal = Identity::of(&self.file).wal;
        }
        outcome
    }

    fn tend(&mut self, now: Now) -> Result<bool, StoreError> {
        self.check_files()?;
        let more = retention::tend(&mut self.connection, &self.limits, now.wall).map_err(store_error)?;
        if !more && let Err(error) = self.ballast.load() {
            tracing::debug!(%error, "no ballast");
        }
        Ok(more)
    }
}
