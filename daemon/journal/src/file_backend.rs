//! The journal as a file: opened, checked, migrated; made anew when there is none or a damaged one.

use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use super::alive::Sign;
use super::check;
use super::copy::{Copied, LockoutCopy};
use super::kept::Restored;
use super::reader;
use super::record::{BootId, Record, RecordKind, Row};
use super::retention::PAGE_BYTES;
use super::rows;
use super::schema;
use super::set_aside;
use super::sqlite::{SqliteStore, wal_file};
use super::sqlite_error::{io_error, store_error};
use super::store::{Backend, OpenFailed, Opened, SetAside, StoreError};
use idlegate_guard::time::{Now, Span, WallTime};
use idlegate_messages::{Stop, json};

/// How large and how old the journal may grow, and how long its start may take.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Of the main file.
    pub file_bytes_max: u64,
    pub age_max: Span,
    /// After this the names of those who asked are blanked.
    pub names_age_max: Span,
    /// Of the write-ahead log: a reader that never lets go keeps it growing. Beyond this the journal counts as
    /// locked until the reader is gone.
    pub log_bytes_max: u64,
    /// Given back when the disk is full.
    pub reserve_bytes: u64,
    /// A check at the start that takes longer is left off.
    pub check_within: Span,
    /// Nothing goes by its age before the clock has run evenly for so long: one that is years ahead for a few minutes
    /// would take the journal of a year.
    pub clock_even_for: Span,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            file_bytes_max: 256 * 1024 * 1024,
            age_max: Span::secs(400 * 24 * 3600),
            names_age_max: Span::secs(30 * 24 * 3600),
            log_bytes_max: 32 * 1024 * 1024,
            reserve_bytes: 4 * 1024 * 1024,
            check_within: Span::secs(2),
            clock_even_for: Span::secs(24 * 3600),
        }
    }
}

impl Limits {
    pub(super) fn pages_max(&self) -> u64 {
        (self.file_bytes_max / PAGE_BYTES).max(32)
    }
}

/// A journal in a file of its own, in a folder where only this service writes.
#[derive(Debug)]
pub struct FileBackend {
    file: PathBuf,
    copy: LockoutCopy,
    limits: Limits,
    boot: BootId,
    /// Whether the kept state has been read without being able to write: that may mean a copy, so once is enough.
    looked: bool,
    /// Whether it is known how the run before this one ended.
    former_has_ended: bool,
}

impl FileBackend {
    pub fn new(file: PathBuf, limits: Limits) -> FileBackend {
        let copy = LockoutCopy::beside(&file);
        let boot = BootId::current();
        FileBackend { file, copy, limits, boot, looked: false, former_has_ended: false }
    }

    fn connect(&self, now: Now) -> Result<(Connection, Restored), StoreError> {
        let mut connection = connect(&self.file)?;
        let version = schema::version(&connection)?;
        let Some(version) = version else {
            return Err(StoreError::Damaged("not a journal".into()));
        };
        if version > schema::VERSION {
            return Err(StoreError::Newer { found: version, known: schema::VERSION });
        }
        configure(&connection, self.limits.pages_max())?;
        if version < schema::VERSION {
            schema::migrate(&connection, version)?;
        }
        check::at_start(&mut connection, self.limits.check_within)?;
        let restored = check::restore(&mut connection, now.wall);
        if let Some(doubt) = &restored.doubt {
            return Err(StoreError::Damaged(doubt.clone()));
        }
        Ok((connection, restored))
    }

    /// Without the ability to write, the kept state may be readable all the same.
    fn look(&mut self, now: Now, error: StoreError) -> OpenFailed {
        if self.looked || fs::metadata(&self.file).is_err() {
            return error.into();
        }
        let mut restored = reader::restore_without_writing(&self.file, now.wall);
        take_copy(&mut restored, self.copy.read(), now.wall);
        self.looked = restored.doubt.is_none();
        OpenFailed { error, restored: Some(restored) }
    }

    /// Makes the new file first, with what could be saved in it, then swaps: a crash in between loses nothing.
    fn begin_anew(&mut self, now: Now, why: &str) -> Result<Opened, OpenFailed> {
        let saved = set_aside::salvage(&self.file, now.wall);
        let fresh = set_aside::fresh_file(&self.file);
        create(&fresh, &saved)?;
        let file = set_aside::set_aside(&self.file, now.wall)?;
        rename(&fresh, &self.file)?;
        let (connection, _) = self.connect(now)?;
        let set_aside = Some(SetAside { file, why: why.to_owned() });
        self.opened(now, connection, saved, set_aside)
    }

    /// With what the second copy remembers put into the journal, and all of it into the copy.
    fn opened(
        &mut self,
        now: Now,
        connection: Connection,
        mut restored: Restored,
        set_aside: Option<SetAside>,
    ) -> Result<Opened, OpenFailed> {
        let copied = self.copy.read();
        // A journal of an earlier version has no copy. But a damaged one without it vouches for nothing.
        restored.in_doubt |= set_aside.is_some() && copied == Copied::Missing;
        restored.saved_by_copy = set_aside.is_some() && matches!(copied, Copied::Sound(_));
        let before = match &copied {
            Copied::Sound(kept) => Some(kept.clone()),
            Copied::Missing | Copied::Damaged(_) => None,
        };
        let more = take_copy(&mut restored, copied, now.wall);
        set_aside::put_saved(&connection, &more).map_err(store_error)?;
        if !self.former_has_ended {
            end_former_run(&connection, &self.file, now).map_err(store_error)?;
            self.former_has_ended = true;
        }
        let store = SqliteStore::new(connection, &self.file, self.boot.clone(), self.limits, now);
        let store = store.with_copy(self.copy.clone(), restored.kept.clone(), before, now.wall);
        Ok(Opened { store: Box::new(store), restored, set_aside })
    }

    /// Nothing when there is a file already.
    fn create_if_missing(&self) -> Result<(), StoreError> {
        if let Some(folder) = self.file.parent() {
            fs::create_dir_all(folder).map_err(|error| io_error("its folder cannot be made", &error))?;
        }
        if fs::symlink_metadata(&self.file).is_ok() {
            return Ok(());
        }
        let fresh = set_aside::fresh_file(&self.file);
        // Left by a crash between setting the old one aside and putting this one in its place: it holds what
        // was saved.
        if !is_complete(&fresh) {
            create(&fresh, &Restored::default())?;
        }
        rename(&fresh, &self.file)
    }
}

impl Backend for FileBackend {
    fn open(&mut self, now: Now, found_damaged: Option<&str>) -> Result<Opened, OpenFailed> {
        if let Some(why) = found_damaged {
            return self.begin_anew(now, why);
        }
        let orphan = fs::metadata(&self.file).is_err() && fs::metadata(wal_file(&self.file)).is_ok();
        if orphan && !is_complete(&set_aside::fresh_file(&self.file)) {
            return self.begin_anew(now, "the file is missing, but its write-ahead log is there");
        }
        if fs::metadata(&self.file).is_ok_and(|metadata| metadata.len() == 0) {
            return self.begin_anew(now, "the file is empty");
        }
        self.create_if_missing().map_err(|error| self.look(now, error))?;
        match self.connect(now) {
            Ok((connection, restored)) => self.opened(now, connection, restored, None),
            Err(StoreError::Damaged(why)) => self.begin_anew(now, &why),
            Err(error) => Err(self.look(now, error)),
        }
    }
}

/// Puts the `stop` on record that a run which was killed could not write: at its last sign of life, since from then on
/// nobody watched.
fn end_former_run(connection: &Connection, file: &Path, now: Now) -> rusqlite::Result<()> {
    let Some(sign) = Sign::beside(file).filter(|sign| sign.runs) else { return Ok(()) };
    let Some(last) = rows::last(connection)? else { return Ok(()) };
    if last.kind() == Some(RecordKind::Stop) {
        return Ok(());
    }
    let (at, boot) = if sign.at().wall >= last.at.wall && sign.at().wall <= now.wall {
        (sign.at(), sign.boot())
    } else {
        (last.at, last.boot)
    };
    let row = Row::of(&Record::new(RecordKind::Stop, at, json(&Stop { unexpected: true })));
    let number = rows::boot_number(connection, &boot)?;
    rows::insert_record(connection, last.seq + 1, (number, &boot), &row)
}

/// Adds what the second copy remembers; tells what of it is news.
fn take_copy(restored: &mut Restored, copied: Copied, wall: WallTime) -> Restored {
    let mut more = Restored::default();
    match copied {
        Copied::Missing => {}
        Copied::Damaged(why) => {
            restored.in_doubt = true;
            restored.add_doubt(format!("the second copy of the lockouts is damaged: {why}"));
        }
        Copied::Sound(kept) => {
            for (machine, mut state) in kept {
                for kept in [&mut state.deferral, &mut state.kept_on].into_iter().flatten() {
                    kept.remaining = kept.remaining_at(wall);
                }
                let known = restored.kept.get(&machine).cloned();
                let merged = known.clone().map_or_else(|| state.clone(), |known| known.merged(state.clone()));
                if known.as_ref() != Some(&merged) {
                    more.kept.insert(machine.clone(), merged.clone());
                    restored.kept.insert(machine, merged);
                }
            }
        }
    }
    more
}

fn connect(file: &Path) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(file, flags).map_err(store_error)?;
    if connection.is_readonly("main").map_err(store_error)? {
        return Err(StoreError::ReadOnly("the file cannot be written".into()));
    }
    connection.busy_timeout(Span(200).into()).map_err(store_error)?;
    Ok(connection)
}

fn configure(connection: &Connection, pages_max: u64) -> Result<(), StoreError> {
    connection.execute_batch(schema::CONNECTION).map_err(store_error)?;
    connection.execute_batch(&format!("PRAGMA max_page_count = {pages_max}")).map_err(store_error)?;
    // To know now, not at the first record, whether writing works.
    connection.execute_batch("BEGIN IMMEDIATE; ROLLBACK").map_err(store_error)
}

/// A whole new file, closed and on disk.
fn create(file: &Path, saved: &Restored) -> Result<(), StoreError> {
    set_aside::remove(file);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
    let connection = Connection::open_with_flags(file, flags).map_err(store_error)?;
    connection.execute_batch(schema::NEW_FILE).map_err(store_error)?;
    connection.execute_batch(schema::CONNECTION).map_err(store_error)?;
    schema::migrate(&connection, 0)?;
    set_aside::put_saved(&connection, saved).map_err(store_error)?;
    connection.close().map_err(|(_, error)| store_error(error))?;
    sync_folder(file);
    Ok(())
}

/// Whether it is a journal with all its tables, checked as any other.
fn is_complete(fresh: &Path) -> bool {
    fs::metadata(fresh).is_ok()
        && connect(fresh).is_ok_and(|mut connection| {
            schema::version(&connection) == Ok(Some(schema::VERSION))
                && check::at_start(&mut connection, Span::secs(1)).is_ok()
        })
}

fn rename(from: &Path, to: &Path) -> Result<(), StoreError> {
    fs::rename(from, to).map_err(|error| io_error("the new file cannot be put in place", &error))?;
    sync_folder(to);
    Ok(())
}

/// A name in a folder survives a power cut only when the folder itself is on disk.
pub(super) fn sync_folder(file: &Path) {
    let folder = file.parent().unwrap_or(Path::new("."));
    if let Err(error) = fs::File::open(folder).and_then(|folder| folder.sync_all()) {
        tracing::debug!(%error, "the journal's folder cannot be synced");
    }
}
