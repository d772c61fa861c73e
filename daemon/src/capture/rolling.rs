//! A file that is put aside when it is big enough, and the oldest of those deleted when there are enough of them.
//!
//! Every line goes out in one piece, so whoever kills the program loses at most a line.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::text::rfc3339;
use crate::time::WallTime;

#[derive(Debug)]
pub struct Rolling {
    path: PathBuf,
    file: File,
    bytes: u64,
    bytes_max: u64,
    kept_max: usize,
}

impl Rolling {
    /// Begins the file anew; one that is there already is put aside first, never overwritten.
    pub fn begin(path: &Path, bytes_max: u64, kept_max: usize, now: WallTime) -> io::Result<Rolling> {
        if fs::metadata(path).is_ok_and(|file| file.len() > 0) {
            put_aside(path, now)?;
        }
        let file = OpenOptions::new().create(true).append(true).open(path)?;
        let mut rolling = Rolling { path: path.to_owned(), file, bytes: 0, bytes_max, kept_max };
        rolling.prune()?;
        Ok(rolling)
    }

    /// Looks whether it is time for a new file.
    pub fn turn(&mut self, now: WallTime) -> io::Result<()> {
        if self.bytes < self.bytes_max {
            return Ok(());
        }
        self.file.sync_data()?;
        put_aside(&self.path, now)?;
        self.file = OpenOptions::new().create(true).append(true).open(&self.path)?;
        self.bytes = 0;
        self.prune()
    }

    /// Those put aside, oldest first.
    fn aside(&self) -> io::Result<Vec<PathBuf>> {
        let (stem, extension) = parts(&self.path);
        let folder =
            self.path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut found = Vec::new();
        for entry in fs::read_dir(folder)? {
            let path = entry?.path();
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            // NAME-20261125T143000123Z.EXTENSION
            let stamp = name.strip_prefix(&format!("{stem}-")).and_then(|rest| rest.strip_suffix(&extension));
            if stamp
                .is_some_and(|stamp| stamp.len() == 19 && stamp.ends_with('Z') && stamp.as_bytes()[8] == b'T')
            {
                found.push(path);
            }
        }
        found.sort();
        Ok(found)
    }

    fn prune(&mut self) -> io::Result<()> {
        let aside = self.aside()?;
        for old in &aside[..aside.len().saturating_sub(self.kept_max)] {
            fs::remove_file(old)?;
        }
        Ok(())
    }
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

fn put_aside(path: &Path, now: WallTime) -> io::Result<()> {
    let (stem, extension) = parts(path);
    let mut at = now;
    // Two within a millisecond: the later one waits for the next.
    loop {
        let stamp = rfc3339(at).replace(['-', ':', '.'], "");
        let aside = path.with_file_name(format!("{stem}-{stamp}{extension}"));
        if !aside.exists() {
            return fs::rename(path, aside);
        }
        at = WallTime(at.0 + 1);
    }
}
