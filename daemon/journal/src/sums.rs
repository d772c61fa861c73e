//! The checksum of a row: CRC-32 over its columns as text, one to a line, so that anyone can check it by hand.

use std::fmt::Display;

use super::kept::Answered;
use idlegate_plan::kept::KeptState;

fn sum(columns: &[&dyn Display]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    let mut line = String::new();
    for (index, column) in columns.iter().enumerate() {
        if index > 0 {
            line.push('\n');
        }
        line.push_str(&column.to_string());
    }
    hasher.update(line.as_bytes());
    hasher.finalize()
}

/// The columns of a record's row.
#[derive(Debug)]
pub(super) struct RecordColumns<'a> {
    pub(super) seq: i64,
    pub(super) boot: &'a str,
    pub(super) mono_ms: i64,
    pub(super) wall_ms: i64,
    pub(super) kind: &'a str,
    pub(super) machine: &'a str,
    pub(super) body: &'a str,
}

pub(super) fn record(row: &RecordColumns<'_>) -> u32 {
    sum(&[&row.seq, &row.boot, &row.mono_ms, &row.wall_ms, &row.kind, &row.machine, &row.body])
}

/// `mark` is its last column; rows of earlier versions have none, and their sum is as it was.
pub(super) fn kept(machine: &str, state: &KeptState, mark: Option<&str>) -> u32 {
    let lockout = state.lockout();
    let deferral = state.deferral.as_ref();
    let (none, zero) = ("", 0_i64);
    let (emergency, expires, remaining) = (
        lockout.map_or(0, |lockout| u8::from(lockout.emergency)),
        deferral.map_or(zero, |deferral| deferral.expires.0),
        deferral.map_or(zero, |deferral| i64::try_from(deferral.remaining.millis()).unwrap_or(i64::MAX)),
    );
    let (locked_by, deferred_by) = (
        lockout.map_or(none, |lockout| lockout.by.as_str()),
        deferral.map_or(none, |deferral| deferral.by.as_str()),
    );
    let columns: [&dyn Display; 6] = [&machine, &locked_by, &emergency, &deferred_by, &expires, &remaining];
    match &mark {
        None => sum(&columns),
        Some(mark) => sum(&[&columns[..], &[mark]].concat()),
    }
}

pub(super) fn text(text: &str) -> u32 {
    sum(&[&text])
}

pub(super) fn answered(row: &Answered) -> u32 {
    sum(&[&row.input, &row.event, &row.decision, &row.at.0])
}
