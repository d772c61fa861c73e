//! The recordings that the guard keeps by itself: a folder of files, read as one.
//!
//! Each is SenML lines in gzip, named by when it was begun, so that the order of names is the order of time. A file may
//! end in the middle of a pack, since the power may have gone while it was written: what came out of it until then
//! counts, what does not is told, and the next file is read all the same.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::error::RecordingError;
use super::point::Point;
use super::reader::RecordingReader;
use idlegate_guard::time::WallTime;
use idlegate_plan::text::{parse_time, rfc3339};

const BEGINS: &str = "readings-";
const ENDS: &str = ".jsonl.gz";

/// One of the files.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct KeptFile {
    /// When it was begun.
    pub(super) begun: WallTime,
    pub(super) path: PathBuf,
    pub(super) bytes: u64,
}

/// Oldest first. Whatever else lies in the folder is somebody else's.
pub(super) fn files(dir: &Path) -> io::Result<Vec<KeptFile>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir)? {
        let entry = entry?;
        let name = entry.file_name();
        let Some(begun) = name.to_str().and_then(begun) else { continue };
        // It may have gone since.
        let Ok(about) = entry.metadata() else { continue };
        if about.is_file() {
            found.push(KeptFile { begun, path: entry.path(), bytes: about.len() });
        }
    }
    found.sort_unstable();
    Ok(found)
}

/// `readings-20261125T143000123Z.jsonl.gz`
pub(super) fn name(begun: WallTime) -> String {
    format!("{BEGINS}{}{ENDS}", rfc3339(begun).replace(['-', ':', '.'], ""))
}

fn begun(name: &str) -> Option<WallTime> {
    let stamp = name.strip_prefix(BEGINS)?.strip_suffix(ENDS)?;
    if stamp.len() != 19 || !stamp.is_ascii() {
        return None;
    }
    let (date, time) = stamp.split_at(8);
    let text = format!(
        "{}-{}-{}T{}:{}:{}.{}",
        &date[..4],
        &date[4..6],
        &date[6..],
        &time[1..3],
        &time[3..5],
        &time[5..7],
        &time[7..]
    );
    parse_time(&text).ok().filter(|begun| self::name(*begun) == name)
}

/// All that was kept from a time on, file after file.
pub struct KeptReader {
    /// The next one last.
    files: Vec<KeptFile>,
    current: Option<RecordingReader>,
    from: WallTime,
    on_fault: Box<dyn FnMut(&RecordingError) + Send>,
}

impl std::fmt::Debug for KeptReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("KeptReader").field("files", &self.files.len()).finish_non_exhaustive()
    }
}

impl KeptReader {
    /// `on_fault` is told of what cannot be read; it is left out.
    pub fn open(
        dir: &Path,
        from: WallTime,
        on_fault: impl FnMut(&RecordingError) + Send + 'static,
    ) -> io::Result<KeptReader> {
        let mut files = files(dir)?;
        // The one before the first that was begun later may reach into the time.
        let first = files.partition_point(|file| file.begun <= from).saturating_sub(1);
        files.drain(..first);
        files.reverse();
        Ok(KeptReader { files, current: None, from, on_fault: Box::new(on_fault) })
    }

    fn next_point(&mut self) -> Result<Option<Point>, RecordingError> {
        loop {
            if let Some(point) = self.current.as_mut().and_then(RecordingReader::next) {
                return point.map(Some);
            }
            let Some(file) = self.files.pop() else { return Ok(None) };
            self.current = None;
            // Its first pack is still to come.
            if file.bytes > 0 {
                self.current = Some(RecordingReader::open(&file.path)?);
            }
        }
    }
}

impl Iterator for KeptReader {
    type Item = Point;

    fn next(&mut self) -> Option<Point> {
        loop {
            match self.next_point() {
                Ok(Some(point)) if point.at < self.from => {}
                Ok(point) => return point,
                Err(fault) => (self.on_fault)(&fault),
            }
        }
    }
}
