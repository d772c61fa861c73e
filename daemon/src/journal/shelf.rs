//! The journal as a file: opened, checked, migrated; made anew when there is none or a damaged one.

use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use super::aside;
use super::check;
use super::kept::Restored;
use super::reader;
use super::record::BootId;
use super::retention::PAGE_BYTES;
use super::schema;
use super::sqlite::{SqliteStore, wal_file};
use super::sqlite_error::{io_error, store_error};
use super::store::{OpenFailed, Opened, SetAside, Shelf, StoreError};
use crate::time::{Now, Span};

/// How large and how old the journal may grow, and how long its start may take.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Of the main file.
    pub file_bytes_max: u64,
    pub age_max: Span,
    /// Of the write-ahead log: a reader that never lets go keeps it growing. Beyond this the journal counts as
    /// locked until the reader is gone.
    pub log_bytes_max: u64,
    /// Given back when the disk is full.
    pub ballast_bytes: u64,
    /// A check at the start that takes longer is left off.
    pub check_within: Span,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            file_bytes_max: 256 * 1024 * 1024,
            age_max: Span::secs(400 * 24 * 3600),
            log_bytes_max: 32 * 1024 * 1024,
            ballast_bytes: 4 * 1024 * 1024,
            check_within: Span::secs(2),
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
pub struct FileShelf {
    file: PathBuf,
    limits: Limits,
    boot: BootId,
    /// Whether the kept state has been read without being able to write: that may mean a copy, so once is enough.
    looked: bool,
}

impl FileShelf {
    pub fn new(file: PathBuf, limits: Limits) -> FileShelf {
        FileShelf { file, limits, boot: BootId::current(), looked: false }
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
        let restored = reader::restore_without_writing(&self.file, now.wall);
        self.looked = restored.doubt.is_none();
        OpenFailed { error, restored: Some(restored) }
    }

    /// Makes the new file first, with what could be saved in it, then swaps: a crash in between loses nothing.
    fn begin_anew(&self, now: Now, why: &str) -> Result<Opened, OpenFailed> {
        let saved = aside::salvage(&self.file, now.wall);
        let fresh = aside::fresh_file(&self.file);
        create(&fresh, &saved)?;
        let file = aside::set_aside(&self.file, now.wall)?;
        rename(&fresh, &self.file)?;
        let (connection, _) = self.connect(now)?;
        let store = SqliteStore::new(connection, &self.file, self.boot.clone(), self.limits);
        let set_aside = Some(SetAside { file, why: why.to_owned() });
        Ok(Opened { store: Box::new(store), restored: saved, set_aside })
    }

    /// Nothing when there is a file already.
    fn create_if_missing(&self) -> Result<(), StoreError> {
        if let Some(folder) = self.file.parent() {
            fs::create_dir_all(folder).map_err(|error| io_error("its folder cannot be made", &error))?;
        }
        if fs::symlink_metadata(&self.file).is_ok() {
            return Ok(());
        }
        let fresh = aside::fresh_file(&self.file);
        // Left by a crash between setting the old one aside and putting this one in its place: it holds what
        // was saved.
        if !is_complete(&fresh) {
            create(&fresh, &Restored::default())?;
        }
        rename(&fresh, &self.file)
    }
}

impl Shelf for FileShelf {
    fn open(&mut self, now: Now, found_damaged: Option<&str>) -> Result<Opened, OpenFailed> {
        if let Some(why) = found_damaged {
            return self.begin_anew(now, why);
        }
        let orphan = fs::metadata(&self.file).is_err() && fs::metadata(wal_file(&self.file)).is_ok();
        if orphan && !is_complete(&aside::fresh_file(&self.file)) {
            return self.begin_anew(now, "the file is missing, but its write-ahead log is there");
        }
        if fs::metadata(&self.file).is_ok_and(|metadata| metadata.len() == 0) {
            return self.begin_anew(now, "the file is empty");
        }
        self.create_if_missing().map_err(|error| self.look(now, error))?;
        match self.connect(now) {
            Ok((connection, restored)) => {
                let store = SqliteStore::new(connection, &self.file, self.boot.clone(), self.limits);
                Ok(Opened { store: Box::new(store), restored, set_aside: None })
            }
            Err(StoreError::Damaged(why)) => self.begin_anew(now, &why),
            Err(error) => Err(self.look(now, error)),
        }
    }
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
    aside::remove(file);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
    let connection = Connection::open_with_flags(file, flags).map_err(store_error)?;
    connection.execute_batch(schema::NEW_FILE).map_err(store_error)?;
    connection.execute_batch(schema::CONNECTION).map_err(store_error)?;
    schema::migrate(&connection, 0)?;
    aside::put_saved(&connection, saved).map_err(store_error)?;
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
