//! Reads a recording from its first line to its last.

use std::collections::VecDeque;
use std::io::Read;
use std::path::Path;

use super::csv::Columns;
use super::error::{LineFault, RecordingError};
use super::lines::{Line, Lines, LinesError};
use super::oddities::Oddities;
use super::point::Point;
use super::senml_lines;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    Csv,
    SenmlLines,
}

/// Yields the points in the order of the file. After an error it yields nothing more.
#[derive(Debug)]
pub struct RecordingReader {
    /// As people know the file.
    file: String,
    lines: Lines,
    /// Nothing in a file of SenML.
    columns: Option<Columns>,
    /// Points of the current line that have not been handed out yet.
    pending: VecDeque<Point>,
    oddities: Oddities,
    failed: bool,
}

impl RecordingReader {
    pub fn open(path: &Path) -> Result<RecordingReader, RecordingError> {
        let file = path.display().to_string();
        match idlegate_os::files::open_plain(path) {
            Ok(input) => RecordingReader::new(file, input),
            Err(cause) => Err(RecordingError::Io { file, cause }),
        }
    }

    /// Reads from anything; `file` is what errors call it.
    pub fn new(file: String, input: impl Read + Send + 'static) -> Result<RecordingReader, RecordingError> {
        let lines = match Lines::new(input) {
            Ok(lines) => lines,
            Err(cause) => return Err(RecordingError::Io { file, cause }),
        };
        let (pending, oddities) = (VecDeque::new(), Oddities::default());
        let mut reader = RecordingReader { file, lines, columns: None, pending, oddities, failed: false };
        let first = reader.line()?.ok_or_else(|| reader.fault(1, LineFault::NothingThere))?;
        if first.text.trim_start().starts_with('[') {
            reader.take_line(&first)?;
        } else {
            let columns = Columns::of_heading(&first.text);
            reader.columns = Some(columns.map_err(|fault| reader.fault(first.number, fault))?);
            if first.unfinished {
                reader.oddities.note_cut_short(first.number);
            }
        }
        Ok(reader)
    }

    pub fn format(&self) -> Format {
        if self.columns.is_some() { Format::Csv } else { Format::SenmlLines }
    }

    /// What was odd so far; all of it once the last point has been read.
    pub fn oddities(&self) -> &Oddities {
        &self.oddities
    }

    fn line(&mut self) -> Result<Option<Line>, RecordingError> {
        self.lines.next_line().map_err(|error| match error {
            LinesError::Io(cause) => RecordingError::Io { file: self.file.clone(), cause },
            LinesError::Line(line, fault) => self.fault(line, fault),
        })
    }

    fn take_line(&mut self, line: &Line) -> Result<(), RecordingError> {
        let (pending, oddities) = (&mut self.pending, &mut self.oddities);
        let before = pending.len();
        let taken = match &self.columns {
            Some(columns) => {
                columns.row(&line.text, line.number, || oddities.note_without_value(line.number), pending)
            }
            None => senml_lines::pack(
                &line.text,
                line.number,
                || oddities.note_not_a_reading(line.number),
                pending,
            ),
        };
        let noted =
            taken.and_then(|()| pending.iter().skip(before).try_for_each(|point| oddities.note_point(point)));
        match noted {
            // A pack that can be read is whole, but a number at the end of a table may have had more digits.
            Ok(()) if line.unfinished && (self.columns.is_some() || self.lines.torn()) => {
                oddities.note_cut_short(line.number);
            }
            Ok(()) => {}
            Err(_) if line.unfinished => oddities.note_cut_short(line.number),
            Err(fault) => return Err(self.fault(line.number, fault)),
        }
        Ok(())
    }

    fn fault(&self, line: u64, fault: LineFault) -> RecordingError {
        RecordingError::Line { file: self.file.clone(), line, fault }
    }

    fn next_point(&mut self) -> Result<Option<Point>, RecordingError> {
        while self.pending.is_empty() {
            let Some(line) = self.line()? else { return Ok(None) };
            self.take_line(&line)?;
        }
        Ok(self.pending.pop_front())
    }
}

impl Iterator for RecordingReader {
    type Item = Result<Point, RecordingError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        let next = self.next_point();
        self.failed = next.is_err();
        next.transpose()
    }
}

#[cfg(test)]
mod tests;
