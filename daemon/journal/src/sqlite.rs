//! An open journal file.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::alive::Alive;
use super::change::Entry;
use super::copy::LockoutCopy;
use super::file_backend::Limits;
use super::names::Blanked;
use super::record::{BootId, RecordKind};
use super::reserve::ReserveFile;
use super::sqlite_error::store_error;
use super::store::{Store, StoreError};
use super::{retention, rows};
use idlegate_guard::time::{Now, WallTime};
use idlegate_os::Clock;
use idlegate_plan::event::Name;
use idlegate_plan::kept::KeptState;

#[derive(Debug)]
pub(super) struct SqliteStore {
    connection: Connection,
    file: PathBuf,
    identity: Identity,
    boot: BootId,
    limits: Limits,
    blanked: Blanked,
    reserve: ReserveFile,
    alive: Alive,
    /// And all that is kept, as it stands there.
    copy: Option<(LockoutCopy, BTreeMap<Name, KeptState>)>,
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
    pub(super) fn new(
        connection: Connection,
        file: &Path,
        boot: BootId,
        limits: Limits,
        now: Now,
    ) -> SqliteStore {
        let reserve = ReserveFile::beside(file, limits.reserve_bytes);
        if let Err(error) = reserve.load() {
            tracing::debug!(%error, "no reserve file");
        }
        let identity = Identity::of(file);
        let blanked = Blanked::NOTHING;
        let alive = Alive::begin(file, &boot, now);
        SqliteStore {
            connection,
            file: file.to_owned(),
            identity,
            boot,
            limits,
            blanked,
            reserve,
            alive,
            copy: None,
        }
    }

    /// Every change of what is kept goes into the second copy, too. `before` is what stands there.
    pub(super) fn with_copy(
        mut self,
        copy: LockoutCopy,
        kept: BTreeMap<Name, KeptState>,
        before: Option<BTreeMap<Name, KeptState>>,
        wall: WallTime,
    ) -> SqliteStore {
        if before.is_none_or(|before| before != kept) {
            write_copy(&copy, &kept, wall);
        }
        self.copy = Some((copy, kept));
        self
    }

    /// Ahead of the journal itself: what cannot be stored there is in force all the same.
    fn copy(&mut self, batch: &[&Entry]) {
        let Some((copy, kept)) = &mut self.copy else { return };
        let changes = batch.iter().flat_map(|entry| &entry.kept);
        let mut changed = false;
        for (machine, state) in changes {
            changed |= kept.insert(machine.clone(), state.clone()).as_ref() != Some(state);
        }
        if changed {
            write_copy(copy, kept, Clock.now().wall);
        }
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
        while self.reserve.delete_readings() {
            match self.write(batch).map_err(store_error) {
                Err(StoreError::Full(_)) => {}
                other => return other,
            }
        }
        let first = retention::make_room(&mut self.connection);
        let mut outcome = first.and_then(|()| self.write(batch)).map_err(store_error);
        if matches!(outcome, Err(StoreError::Full(_))) && self.reserve.release() {
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

/// The journal has it as well, so that a copy that cannot be written costs nothing but the second chance.
fn write_copy(copy: &LockoutCopy, kept: &BTreeMap<Name, KeptState>, wall: WallTime) {
    if let Err(error) = copy.write(kept, wall) {
        tracing::warn!(%error, "the second copy of the lockouts could not be written");
    }
}

impl Store for SqliteStore {
    fn store(&mut self, batch: &[&Entry]) -> Result<(), StoreError> {
        self.check_files()?;
        self.copy(batch);
        let outcome = match self.write(batch).map_err(store_error) {
            Err(full @ StoreError::Full(_)) => self.write_making_room(batch, full),
            other => other,
        };
        if outcome.is_ok() {
            if self.identity.wal.is_none() {
                self.identity.wal = Identity::of(&self.file).wal;
            }
            for row in batch.iter().flat_map(|entry| &entry.rows) {
                if matches!(row.kind, RecordKind::Start | RecordKind::Stop) {
                    self.alive.run(row.kind == RecordKind::Start, Clock.now());
                }
            }
        }
        outcome
    }

    fn tend(&mut self, now: Now) -> Result<bool, StoreError> {
        self.check_files()?;
        self.alive.look(now);
        let clock = (self.alive.even_for() >= self.limits.clock_even_for).then_some(now.wall);
        let more = retention::tend(&mut self.connection, &self.limits, &mut self.blanked, clock)
            .map_err(store_error)?;
        if !more && let Err(error) = self.reserve.load() {
            tracing::debug!(%error, "no reserve file");
        }
        Ok(more)
    }
}
