//! Lines of a file, plain or gzip, one at a time and none without a bound.

use std::io::{self, BufRead, BufReader, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use flate2::bufread::MultiGzDecoder;

use super::error::LineFault;

/// As much as the largest payload, once it is a pack of its own.
pub(super) const LINE_BYTES_MAX: usize = 128 * 1024;
const GZIP_MAGIC: [u8; 2] = [0x1f, 0x8b];

/// Deflate packs up to a thousand times (RFC 1951 from memory: 258 bytes in two bits); recordings of meters that stand
/// still were packed 40 times.
const UNPACKED_TIMES_MAX: u64 = 250;
/// Before this much has come out, the ratio says nothing.
const UNPACKED_BYTES_FREE: u64 = 2 * 1024 * 1024;

pub(super) struct Lines {
    input: Box<dyn BufRead + Send>,
    /// How much of a compressed file has been read.
    packed: Arc<AtomicU64>,
    /// How much has come out of it; nothing of a plain file.
    unpacked: Option<u64>,
    buffer: Vec<u8>,
    number: u64,
    ended: bool,
    /// The compressed stream broke off.
    torn: bool,
}

impl std::fmt::Debug for Lines {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Lines").field("number", &self.number).finish_non_exhaustive()
    }
}

#[derive(Debug)]
pub(super) struct Line {
    pub(super) text: String,
    pub(super) number: u64,
    /// It ends with the file instead of a line break: whoever wrote it may have been stopped in the middle.
    pub(super) unfinished: bool,
}

#[derive(Debug)]
pub(super) enum LinesError {
    Io(io::Error),
    Line(u64, LineFault),
}

impl Lines {
    pub(super) fn new(input: impl Read + Send + 'static) -> io::Result<Lines> {
        let packed = Arc::new(AtomicU64::new(0));
        let mut plain = BufReader::with_capacity(64 * 1024, Counted { input, bytes: packed.clone() });
        // Told by the content: names of files are changed by people.
        let is_packed = plain.fill_buf()?.starts_with(&GZIP_MAGIC);
        let input: Box<dyn BufRead + Send> = if is_packed {
            Box::new(BufReader::with_capacity(64 * 1024, MultiGzDecoder::new(plain)))
        } else {
            Box::new(plain)
        };
        let unpacked = is_packed.then_some(0);
        Ok(Lines { input, packed, unpacked, buffer: Vec::new(), number: 0, ended: false, torn: false })
    }

    /// The next line that is not blank, without its line break. A compressed stream that broke off ends with a line
    /// in any case, an unfinished one.
    pub(super) fn next_line(&mut self) -> Result<Option<Line>, LinesError> {
        while !self.ended {
            self.number += 1;
            let line = self.read()?;
            if let Some(line) = line.filter(|line| !line.text.trim().is_empty() || self.torn) {
                return Ok(Some(line));
            }
        }
        Ok(None)
    }

    pub(super) fn torn(&self) -> bool {
        self.torn
    }

    fn weigh(&mut self, bytes: u64) -> Result<(), LinesError> {
        let Some(unpacked) = &mut self.unpacked else { return Ok(()) };
        *unpacked += bytes;
        let most = self.packed.load(Ordering::Relaxed).saturating_mul(UNPACKED_TIMES_MAX);
        if *unpacked > most.max(UNPACKED_BYTES_FREE) {
            return Err(LinesError::Line(self.number, LineFault::Bomb(UNPACKED_TIMES_MAX)));
        }
        Ok(())
    }

    fn read(&mut self) -> Result<Option<Line>, LinesError> {
        self.buffer.clear();
        // One more than allowed, so that a line of exactly that length is told from a longer one.
        let bound = LINE_BYTES_MAX as u64 + 1;
        match self.input.by_ref().take(bound).read_until(b'\n', &mut self.buffer) {
            Ok(read) => self.weigh(read as u64)?,
            // A compressed recording that was cut off: what came out of it until then is as good as any.
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => self.torn = true,
            Err(error) => return Err(LinesError::Io(error)),
        }
        let finished = self.buffer.last() == Some(&b'\n');
        if !finished && self.buffer.len() > LINE_BYTES_MAX {
            return Err(LinesError::Line(self.number, LineFault::TooLong(LINE_BYTES_MAX)));
        }
        self.ended = !finished;
        if self.buffer.is_empty() && !self.torn {
            return Ok(None);
        }
        while matches!(self.buffer.last(), Some(b'\n' | b'\r')) {
            self.buffer.pop();
        }
        // A character cut in two at the end of the file is part of the cut.
        let text = match std::str::from_utf8(&self.buffer) {
            Ok(text) => text.to_owned(),
            Err(_) if self.ended => String::from_utf8_lossy(&self.buffer).into_owned(),
            Err(_) => return Err(LinesError::Line(self.number, LineFault::NotUtf8)),
        };
        Ok(Some(Line { text, number: self.number, unfinished: self.ended }))
    }
}

/// Counts what is read through it.
struct Counted<Input> {
    input: Input,
    bytes: Arc<AtomicU64>,
}

impl<Input: Read> Read for Counted<Input> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.input.read(buffer)?;
        self.bytes.fetch_add(read as u64, Ordering::Relaxed);
        Ok(read)
    }
}
