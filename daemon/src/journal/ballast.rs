//! Four megabytes that are of no use until the disk is full: then even deleting needs room, and giving the
//! ballast back makes some.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

/// Taken again only when the disk has several times as much to spare.
const SPARE: u64 = 4;

#[derive(Debug)]
pub(super) struct Ballast {
    file: PathBuf,
    bytes: u64,
}

impl Ballast {
    pub(super) fn beside(journal: &Path, bytes: u64) -> Ballast {
        Ballast { file: journal.with_extension("ballast"), bytes }
    }

    /// Takes it on board if it is not there and the disk has plenty of room.
    pub(super) fn load(&self) -> io::Result<()> {
        if self.bytes == 0 || fs::metadata(&self.file).is_ok_and(|metadata| metadata.len() == self.bytes) {
            return Ok(());
        }
        let folder = self.file.parent().unwrap_or(Path::new("."));
        let disk = rustix::fs::statvfs(folder)?;
        if disk.f_bavail.saturating_mul(disk.f_frsize) < self.bytes.saturating_mul(SPARE) {
            return Ok(());
        }
        self.fill().inspect_err(|_| {
            // Half a ballast is only in the way.
            let _ = fs::remove_file(&self.file);
        })
    }

    /// True when there was some to give.
    pub(super) fn release(&self) -> bool {
        let released = fs::remove_file(&self.file).is_ok();
        if released {
            tracing::warn!(file = %self.file.display(), "the disk is full; gave the ballast back");
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
