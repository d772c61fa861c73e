//! A damaged journal is never deleted: what it kept is saved, and the file renamed for people to look at.

use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::file_backend::sync_folder;
use super::kept::Restored;
use super::reader;
use super::rows;
use super::sqlite::wal_file;
use super::sqlite_error::io_error;
use super::store::StoreError;
use idlegate_guard::time::WallTime;
use idlegate_plan::text::compact_time;

/// More damaged files than this are not kept; in a loop of failures they would fill the disk.
const SET_ASIDE_MAX: usize = 5;

/// Where the next file is made before it takes its place.
pub(super) fn fresh_file(journal: &Path) -> PathBuf {
    journal.with_extension("fresh")
}

/// The kept state of a damaged file, as far as it can be read.
pub(super) fn salvage(journal: &Path, wall: WallTime) -> Restored {
    let mut saved = reader::restore_without_writing(journal, wall);
    saved.add_doubt("the journal was damaged: lockouts may be missing");
    saved
}

pub(super) fn put_saved(connection: &Connection, saved: &Restored) -> rusqlite::Result<()> {
    let transaction = connection.unchecked_transaction()?;
    for (machine, kept) in &saved.kept {
        rows::put_kept(&transaction, machine, kept)?;
    }
    for answered in &saved.answered {
        rows::put_answered(&transaction, answered)?;
    }
    transaction.commit()
}

/// Renames the file and its log; tells the new name.
pub(super) fn set_aside(journal: &Path, wall: WallTime) -> Result<PathBuf, StoreError> {
    forget_oldest(journal);
    let target = free_name(journal, wall);
    let moved = |from: &Path, to: &Path| match fs::rename(from, to) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            Err(io_error("the damaged file cannot be renamed", &error))
        }
        Ok(()) | Err(_) => Ok(()),
    };
    // The log first: left behind, it would be taken for the new file's.
    moved(&wal_file(journal), &wal_file(&target))?;
    moved(journal, &target)?;
    // Only an index of the log, made anew whenever it is missing.
    let _ = fs::remove_file(shm_file(journal));
    sync_folder(journal);
    Ok(target)
}

/// Removes a file of ours that never was in use.
pub(super) fn remove(file: &Path) {
    for each in [file.to_owned(), wal_file(file), shm_file(file)] {
        // Usually not there at all.
        let _ = fs::remove_file(each);
    }
}

fn shm_file(file: &Path) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push("-shm");
    name.into()
}

/// `journal.damaged-20261125T023149Z.sqlite` beside `journal.sqlite`.
fn free_name(journal: &Path, wall: WallTime) -> PathBuf {
    let extension = journal.extension().and_then(|text| text.to_str()).unwrap_or("sqlite");
    let stamp = compact_time(wall);
    let name = |more: &str| journal.with_extension(format!("damaged-{stamp}{more}.{extension}"));
    let taken =
        |file: &PathBuf| fs::symlink_metadata(file).is_ok() || fs::symlink_metadata(wal_file(file)).is_ok();
    std::iter::once(name(""))
        .chain((2..100).map(|number| name(&format!("-{number}"))))
        .find(|file| !taken(file))
        .unwrap_or_else(|| name("-100"))
}

fn forget_oldest(journal: &Path) {
    let mut earlier = damaged_files(journal);
    earlier.sort();
    let surplus = (earlier.len() + 1).saturating_sub(SET_ASIDE_MAX);
    for file in earlier.into_iter().take(surplus) {
        tracing::warn!(file = %file.display(), "removed the oldest damaged journal to keep the disk free");
        remove(&file);
    }
}

/// Earlier files that were set aside.
pub(super) fn damaged_files(journal: &Path) -> Vec<PathBuf> {
    let folder = journal.parent().unwrap_or(Path::new("."));
    let stem = journal.file_stem().and_then(|text| text.to_str()).unwrap_or_default();
    let prefix = format!("{stem}.damaged-");
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let is_ours = |file: &PathBuf| {
        let name = file.file_name().and_then(|text| text.to_str()).unwrap_or_default();
        name.starts_with(&prefix) && !name.ends_with("-wal") && !name.ends_with("-shm")
    };
    entries.filter_map(Result::ok).map(|entry| entry.path()).filter(is_ours).collect()
}
