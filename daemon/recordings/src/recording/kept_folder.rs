//! Where the guard keeps its readings: bounded in size and age, the first thing to go when the disk is full, and nobody
//! else's.
//!
//! A pack is added in one write, a whole gzip member. One that was torn by a power cut can only be the last of its
//! file, since every start begins a new file.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};

use super::kept::{KeptFile, files, name};
use idlegate_guard::time::{Moment, Now, Span, WallTime};

#[derive(Clone, Copy, Debug)]
pub struct KeptBounds {
    pub age_max: Span,
    /// Of all files together.
    pub bytes_max: u64,
    /// A file is deleted as a whole, so it is a small part of all.
    pub file_bytes_max: u64,
    pub file_age_max: Span,
    pub files_max: usize,
    /// With less than this left on the disk nothing is kept: the journal comes first.
    pub disk_free_min: u64,
}

impl KeptBounds {
    pub(crate) const fn for_age(age_max: Span) -> KeptBounds {
        KeptBounds {
            age_max,
            bytes_max: 256 << 20,
            file_bytes_max: 4 << 20,
            file_age_max: Span::secs(86_400),
            files_max: 1_024,
            disk_free_min: 32 << 20,
        }
    }
}

/// Age takes no more than a file in this time: a clock that is years ahead for some minutes must not delete everything.
const AGED_EVERY: Span = Span::secs(3_600);

#[derive(Debug)]
pub struct KeptFolder {
    dir: PathBuf,
    bounds: KeptBounds,
    current: Option<Current>,
    aged_at: Moment,
    /// Lets go of the folder when it goes.
    _held: File,
}

#[derive(Debug)]
struct Current {
    file: File,
    path: PathBuf,
    bytes: u64,
    begun: Moment,
}

impl KeptFolder {
    /// Makes the folder if there is none, and holds it.
    pub fn open(dir: &Path, bounds: KeptBounds, now: Moment) -> io::Result<KeptFolder> {
        // What a machine draws tells when people are there.
        fs::DirBuilder::new().recursive(true).mode(0o700).create(dir)?;
        let held = File::open(dir)?;
        // Any other error is forgiven: some file systems of other computers know no locks.
        if flock(&held, FlockOperation::NonBlockingLockExclusive) == Err(rustix::io::Errno::WOULDBLOCK) {
            let why = "another Idlegate keeps its readings there";
            return Err(io::Error::new(io::ErrorKind::ResourceBusy, why));
        }
        Ok(KeptFolder { dir: dir.to_owned(), bounds, current: None, aged_at: now, _held: held })
    }

    pub(crate) fn set_age_max(&mut self, age_max: Span) {
        self.bounds.age_max = age_max;
    }

    /// In one write. What was not written as a whole is taken back.
    pub fn append(&mut self, pack: &[u8], now: Now) -> io::Result<()> {
        let mut files = files(&self.dir)?;
        self.delete_aged(&mut files, now);
        let size = pack.len() as u64;
        while !files.is_empty()
            && (bytes(&files) + size > self.bounds.bytes_max || files.len() > self.bounds.files_max)
        {
            self.delete_oldest(&mut files)?;
        }
        if !self.make_room(&mut files, size)? {
            return Err(io::Error::new(io::ErrorKind::StorageFull, "the disk is nearly full"));
        }
        loop {
            match self.write(pack, now) {
                Err(error) if is_full(&error) && !files.is_empty() => self.delete_oldest(&mut files)?,
                written => return written,
            }
        }
    }

    /// Whatever else needs the disk comes first: deletes the oldest files while there is little room.
    pub(crate) fn give_way(&mut self) -> io::Result<()> {
        if self.disk_free()? >= self.bounds.disk_free_min {
            return Ok(());
        }
        let mut files = files(&self.dir)?;
        self.make_room(&mut files, 0).map(drop)
    }

    pub fn bytes(&self) -> io::Result<u64> {
        Ok(bytes(&files(&self.dir)?))
    }

    fn write(&mut self, pack: &[u8], now: Now) -> io::Result<()> {
        let mut current = match self.current.take().filter(|current| self.goes_on(current, now)) {
            Some(current) => current,
            None => self.begin(now)?,
        };
        match current.file.write_all(pack) {
            Ok(()) => {
                current.bytes += pack.len() as u64;
                self.current = Some(current);
                Ok(())
            }
            Err(error) => {
                // A member that is not whole would hide whatever comes after it.
                if current.file.set_len(current.bytes).is_ok() {
                    self.current = Some(current);
                }
                Err(error)
            }
        }
    }

    /// Somebody who needed room may have deleted it.
    fn goes_on(&self, current: &Current, now: Now) -> bool {
        let is_there = || {
            let same = |file: &fs::Metadata, path: &fs::Metadata| file.ino() == path.ino();
            let both = current.file.metadata().ok().zip(fs::metadata(&current.path).ok());
            both.is_some_and(|(file, path)| same(&file, &path))
        };
        current.bytes < self.bounds.file_bytes_max
            && now.moment.since(current.begun) < self.bounds.file_age_max
            && is_there()
    }

    fn begin(&self, now: Now) -> io::Result<Current> {
        let mut begun = now.wall;
        loop {
            let path = self.dir.join(name(begun));
            match OpenOptions::new().create_new(true).append(true).mode(0o600).open(&path) {
                Ok(file) => return Ok(Current { file, path, bytes: 0, begun: now.moment }),
                // The clock was set back: what is there stays as it is.
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => begun = WallTime(begun.0 + 1),
                Err(error) => return Err(error),
            }
        }
    }

    fn delete_aged(&mut self, files: &mut Vec<KeptFile>, now: Now) {
        let age = i64::try_from(self.bounds.age_max.0).unwrap_or(i64::MAX);
        let before = WallTime(now.wall.0.saturating_sub(age));
        // A file reaches to the beginning of the next one.
        let is_aged = files.get(1).is_some_and(|next| next.begun <= before);
        if is_aged && now.moment.since(self.aged_at) >= AGED_EVERY {
            self.aged_at = now.moment;
            if let Err(error) = self.delete_oldest(files) {
                tracing::warn!(%error, "old readings cannot be deleted");
            }
        }
    }

    fn delete_oldest(&mut self, files: &mut Vec<KeptFile>) -> io::Result<()> {
        let oldest = files.remove(0);
        self.current = self.current.take().filter(|current| current.path != oldest.path);
        match fs::remove_file(&oldest.path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            Ok(()) | Err(_) => Ok(()),
        }
    }

    /// Whether there is room on the disk now.
    fn make_room(&mut self, files: &mut Vec<KeptFile>, size: u64) -> io::Result<bool> {
        while self.disk_free()? < self.bounds.disk_free_min + size {
            if files.is_empty() {
                return Ok(false);
            }
            self.delete_oldest(files)?;
        }
        Ok(true)
    }

    fn disk_free(&self) -> io::Result<u64> {
        let disk = rustix::fs::statvfs(&self.dir)?;
        Ok(disk.f_bavail.saturating_mul(disk.f_frsize))
    }
}

fn bytes(files: &[KeptFile]) -> u64 {
    files.iter().map(|file| file.bytes).sum()
}

fn is_full(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded)
}

#[cfg(test)]
mod tests;
