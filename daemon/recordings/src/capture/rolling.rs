//! A file that is put aside when it is big enough, and the oldest of those deleted when there are enough of them.
//!
//! Only what it has put aside itself: an earlier recording, or somebody else's, is nobody's to delete. Every line goes
//! out in one piece, so whoever kills the program loses at most a line.

use std::collections::VecDeque;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};

use idlegate_guard::time::WallTime;
use idlegate_plan::text::rfc3339;

#[derive(Debug)]
pub struct Rolling {
    path: PathBuf,
    file: File,
    bytes: u64,
    bytes_max: u64,
    kept_max: usize,
    /// Put aside full, oldest first.
    aside: VecDeque<PathBuf>,
}

impl Rolling {
    /// Begins the file anew; one that is there already is put aside first, never overwritten.
    pub fn begin(path: &Path, bytes_max: u64, kept_max: usize, now: WallTime) -> io::Result<Rolling> {
        // Whoever holds the one that is there goes on writing to it: it is not to be put aside.
        if let Some(there) = open_if_there(path)? {
            hold(&there)?;
            if there.metadata()?.len() > 0 {
                put_aside(path, now)?;
            }
        }
        let file = open_held(path)?;
        let aside = VecDeque::new();
        Ok(Rolling { path: path.to_owned(), file, bytes: 0, bytes_max, kept_max, aside })
    }

    /// Looks whether it is time for a new file.
    pub fn turn(&mut self, now: WallTime) -> io::Result<()> {
        if self.bytes < self.bytes_max {
            return Ok(());
        }
        self.file.sync_data()?;
        self.aside.push_back(put_aside(&self.path, now)?);
        self.file = open_held(&self.path)?;
        self.bytes = 0;
        self.prune()
    }

    fn prune(&mut self) -> io::Result<()> {
        while self.aside.len() > self.kept_max {
            let Some(oldest) = self.aside.pop_front() else { break };
            match fs::remove_file(oldest) {
                // Somebody has tidied up.
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                removed => removed?,
            }
        }
        Ok(())
    }
}

fn open_if_there(path: &Path) -> io::Result<Option<File>> {
    match File::open(path) {
        Ok(file) => Ok(Some(file)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

fn open_held(path: &Path) -> io::Result<File> {
    let file = OpenOptions::new().create(true).append(true).open(path)?;
    hold(&file)?;
    Ok(file)
}

/// Two recordings in one file would be none.
fn hold(file: &File) -> io::Result<()> {
    // Any other error is forgiven: some file systems of other computers know no locks.
    if flock(file, FlockOperation::NonBlockingLockExclusive) == Err(rustix::io::Errno::WOULDBLOCK) {
        let why = "another recording is being written to this file; choose another name";
        return Err(io::Error::new(io::ErrorKind::ResourceBusy, why));
    }
    Ok(())
}

impl Write for Rolling {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        let written = self.file.write(line)?;
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

fn parts(path: &Path) -> (String, String) {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    let extension = path.extension().map(|extension| format!(".{}", extension.to_string_lossy()));
    (stem, extension.unwrap_or_default())
}

fn put_aside(path: &Path, now: WallTime) -> io::Result<PathBuf> {
    let (stem, extension) = parts(path);
    let mut at = now;
    // Two within a millisecond: the later one waits for the next.
    loop {
        let stamp = rfc3339(at).replace(['-', ':', '.'], "");
        let aside = path.with_file_name(format!("{stem}-{stamp}{extension}"));
        if !aside.exists() {
            fs::rename(path, &aside)?;
            return Ok(aside);
        }
        at = WallTime(at.0 + 1);
    }
}
