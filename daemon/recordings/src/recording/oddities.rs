//! What is odd about a recording. Real ones have all of it, and it is told, not mended.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use super::error::LineFault;
use super::point::Point;
use idlegate_guard::time::{Span, WallTime};

/// How often something was found, and where first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Oddity {
    pub count: u64,
    /// From 1; 0 while there is none.
    pub first_line: u64,
}

impl Oddity {
    fn note(&mut self, line: u64) {
        if self.count == 0 {
            self.first_line = line;
        }
        self.count += 1;
    }
}

/// Each counted per signal: in a recording of several, neighbours in the file need not be neighbours in time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Oddities {
    /// The same time as the point before.
    pub same_time: Oddity,
    /// An earlier time than the point before.
    pub backwards: Oddity,
    /// A pause longer than [`Oddities::GAP_MIN`].
    pub gaps: Oddity,
    pub longest_gap: Span,
    /// A cell that is empty, NaN or infinite.
    pub without_value: Oddity,
    /// A record that carries only a sum, or bytes: no reading.
    pub not_a_reading: Oddity,
    /// The end of the file is missing: the line could not be read, or the last number may have lost digits.
    pub cut_short: Oddity,
    last: BTreeMap<Arc<str>, WallTime>,
}

impl Oddities {
    pub(crate) const GAP_MIN: Span = Span::secs(30);
    pub const SIGNALS_MAX: usize = 1_024;

    pub(super) fn note_point(&mut self, point: &Point) -> Result<(), LineFault> {
        let Some(last) = self.last.get_mut(&point.signal) else {
            if self.last.len() >= Oddities::SIGNALS_MAX {
                return Err(LineFault::TooManySignals(Oddities::SIGNALS_MAX));
            }
            self.last.insert(point.signal.clone(), point.at);
            return Ok(());
        };
        let pause = Span(u64::try_from(point.at.0.saturating_sub(last.0)).unwrap_or(0));
        if point.at == *last {
            self.same_time.note(point.line);
        } else if point.at < *last {
            self.backwards.note(point.line);
        } else if pause > Oddities::GAP_MIN {
            self.gaps.note(point.line);
            self.longest_gap = self.longest_gap.max(pause);
        }
        *last = point.at;
        Ok(())
    }

    pub(super) fn note_without_value(&mut self, line: u64) {
        self.without_value.note(line);
    }

    pub(super) fn note_not_a_reading(&mut self, line: u64) {
        self.not_a_reading.note(line);
    }

    pub(super) fn note_cut_short(&mut self, line: u64) {
        self.cut_short.note(line);
    }

    fn all(&self) -> [(Oddity, &'static str, &'static str); 6] {
        [
            (self.same_time, "time twice", "times twice"),
            (self.backwards, "step back in time", "steps back in time"),
            (self.gaps, "gap", "gaps"),
            (self.without_value, "cell without a value", "cells without a value"),
            (self.not_a_reading, "record without a reading", "records without a reading"),
            (self.cut_short, "line cut short", "lines cut short"),
        ]
    }

    pub fn is_empty(&self) -> bool {
        self.all().iter().all(|(oddity, ..)| oddity.count == 0)
    }
}

/// As a person says it: "2 times twice (first in line 12), 1 gap (line 40); the longest gap is 6 min".
impl fmt::Display for Oddities {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut separator = "";
        for (Oddity { count, first_line }, one, many) in self.all() {
            match count {
                0 => continue,
                1 => write!(f, "{separator}1 {one} (line {first_line})")?,
                _ => write!(f, "{separator}{count} {many} (first in line {first_line})")?,
            }
            separator = ", ";
        }
        if separator.is_empty() {
            return f.write_str("nothing odd");
        }
        if self.gaps.count > 0 {
            write!(f, "; the longest gap is {}", self.longest_gap)?;
        }
        Ok(())
    }
}
