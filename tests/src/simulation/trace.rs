//! Everything that happens, as a hash; and the notable part of it in words, so that a failing seed can be read.

use std::collections::VecDeque;
use std::fmt::{self, Write};

use idlegate_guard::time::{Moment, Span};

/// As many notable lines as lead up to a violation.
const REMEMBERED_MAX: usize = 60;

#[derive(Debug)]
pub struct Trace {
    hash: u64,
    line: String,
    remembered: VecDeque<String>,
    print: bool,
}

impl Trace {
    pub fn new(print: bool) -> Trace {
        Trace { hash: 0xcbf2_9ce4_8422_2325, line: String::new(), remembered: VecDeque::new(), print }
    }

    /// Counts towards the hash only.
    pub fn note(&mut self, at: Moment, what: fmt::Arguments<'_>) {
        self.line.clear();
        // Writing to a string cannot fail.
        let _ = write!(self.line, "{} {what}", at.0);
        for byte in self.line.bytes() {
            self.hash = (self.hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }

    pub fn tell(&mut self, at: Moment, what: fmt::Arguments<'_>) {
        self.note(at, what);
        let line = format!("{} {what}", clock(at));
        if self.print {
            println!("{line}");
        }
        if self.remembered.len() == REMEMBERED_MAX {
            self.remembered.pop_front();
        }
        self.remembered.push_back(line);
    }

    pub fn hash(&self) -> u64 {
        self.hash
    }

    pub fn remembered(&self) -> Vec<String> {
        self.remembered.iter().cloned().collect()
    }
}

/// Day and time of day since the simulation began.
fn clock(at: Moment) -> String {
    let Span(millis) = at.since(super::world::BEGIN);
    let secs = millis / 1000;
    let (day, hour, min, sec) = (secs / 86_400, secs / 3_600 % 24, secs / 60 % 60, secs % 60);
    format!("day {day} {hour:02}:{min:02}:{sec:02}.{:03}", millis % 1000)
}
