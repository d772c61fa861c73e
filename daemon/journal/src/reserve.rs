//! A file of four megabytes that is of no use until the disk is full: then even deleting needs room, and deleting this
//! makes some.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

/// Taken again only when the disk has several times as much to spare.
const SPARE: u64 = 4;

/// The folder, beside the journal, of the readings that the guard keeps. They can be done without, so they go first.
pub const READINGS_FOLDER: &str = "readings";

#[derive(Debug)]
pub(super) struct ReserveFile {
    file: PathBuf,
    bytes: u64,
}

impl ReserveFile {
    pub(super) fn beside(journal: &Path, bytes: u64) -> ReserveFile {
        ReserveFile { file: journal.with_extension("reserve"), bytes }
    }

    /// Writes it if it is not there and the disk has plenty of room.
    pub(super) fn load(&self) -> io::Result<()> {
        if self.bytes == 0 || fs::metadata(&self.file).is_ok_and(|metadata| metadata.len() == self.bytes) {
            return Ok(());
        }
        // What it was called before.
        let _ = fs::remove_file(self.file.with_extension("ballast"));
        let folder = self.file.parent().unwrap_or(Path::new("."));
        let disk = rustix::fs::statvfs(folder)?;
        if disk.f_bavail.saturating_mul(disk.f_frsize) < self.bytes.saturating_mul(SPARE) {
            return Ok(());
        }
        self.fill().inspect_err(|_| {
            // Half of it is only in the way.
            let _ = fs::remove_file(&self.file);
        })
    }

    /// Deletes the oldest of the readings that are kept, if the disk is so full that its reserve would be next. True
    /// when there was one.
    pub(super) fn delete_readings(&self) -> bool {
        let folder = self.file.with_file_name(READINGS_FOLDER);
        let is_full = rustix::fs::statvfs(self.file.parent().unwrap_or(Path::new(".")))
            .is_ok_and(|disk| disk.f_bavail.saturating_mul(disk.f_frsize) < self.bytes);
        let Some(entries) = fs::read_dir(&folder).ok().filter(|_| is_full) else { return false };
        let paths = entries.filter_map(|entry| Some(entry.ok()?.path()));
        let oldest = paths.filter(|path| path.extension().is_some_and(|end| end == "gz")).min();
        oldest.is_some_and(|oldest| {
            tracing::warn!(file = %oldest.display(), "the disk is full; old readings were deleted to make room");
            fs::remove_file(oldest).is_ok()
        })
    }

    /// True when there was some to give.
    pub(super) fn release(&self) -> bool {
        let released = fs::remove_file(&self.file).is_ok();
        if released {
            tracing::warn!(file = %self.file.display(), "the disk is full; its reserve file was deleted to make room");
        }
        released
    }

    // Noise, since some file systems store zeros as nothing.
    fn fill(&self) -> io::Result<()> {
        let mut file = File::create(&self.file)?;
        let mut noise = 0x9E37_79B9_7F4A_7C15_u64;
        let mut left = self.bytes;
        let mut block = Vec::with_capacity(4096);
        while left > 0 {
            block.clear();
            while block.len() < 4096 {
                noise ^= noise << 13;
                noise ^= noise >> 7;
                noise ^= noise << 17;
                block.extend_from_slice(&noise.to_le_bytes());
            }
            let size = usize::try_from(left).unwrap_or(4096).min(4096);
            file.write_all(&block[..size])?;
            left -= size as u64;
        }
        file.sync_all()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn on_a_disk_with_room_no_readings_are_deleted() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join(READINGS_FOLDER);
        fs::create_dir(&folder).unwrap();
        fs::write(folder.join("readings-1.jsonl.gz"), "kept").unwrap();
        let reserve = ReserveFile::beside(&dir.path().join("journal.sqlite"), 4_096);
        assert!(!reserve.delete_readings());
        // No disk has so much room.
        let reserve = ReserveFile::beside(&dir.path().join("journal.sqlite"), u64::MAX);
        fs::write(folder.join("notes.txt"), "mine").unwrap();
        assert!(reserve.delete_readings() && !reserve.delete_readings());
        assert!(folder.join("notes.txt").exists());
    }

    #[test]
    fn the_reserve_file_of_an_earlier_version_makes_room_for_ours() {
        let dir = tempfile::tempdir().unwrap();
        let journal = dir.path().join("journal.sqlite");
        fs::write(journal.with_extension("ballast"), "noise").unwrap();
        let reserve = ReserveFile::beside(&journal, 4_096);
        reserve.load().unwrap();
        let names: Vec<_> =
            fs::read_dir(dir.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
        assert_eq!(names, ["journal.reserve"]);
        assert!(reserve.release() && !reserve.release());
    }
}
