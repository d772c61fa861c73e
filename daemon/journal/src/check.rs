//! Whether a file can be trusted: SQLite's own check within a time limit, every sum and the gapless sequence of
//! the newest records, and every row of the kept state.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use rusqlite::Connection;

use super::kept::{Restored, locked_for_safety};
use super::sqlite_error::store_error;
use super::store::StoreError;
use super::{rows, schema};
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::answered::OF_EACH_INPUT_MAX;
use idlegate_plan::event::Name;

/// So many of the newest records are read at the start.
pub(super) const TAIL: i64 = 1000;
/// Reading what is kept takes a moment; a damaged file may lead round in circles.
const RESTORED_WITHIN: Span = Span::secs(10);
/// SQLite's virtual machine looks at the time after so many of its steps.
const STEPS_BETWEEN_LOOKS: i32 = 1000;

/// The checks of every start. A check that takes too long is left off; what it saw until then was sound.
pub(super) fn at_start(connection: &mut Connection, within: Span) -> Result<(), StoreError> {
    schema::compare(connection)?;
    let outcome = limited(connection, within, |connection| {
        match connection.query_row("PRAGMA quick_check(1)", [], |row| row.get::<_, String>(0)) {
            Ok(verdict) if verdict == "ok" => Ok(()),
            Ok(verdict) => Err(StoreError::Damaged(verdict)),
            Err(error) => Err(store_error(error)),
        }
    });
    match outcome {
        Err(Ended::TooLate) => {
            tracing::info!(%within, "the check of the journal took too long and was left off")
        }
        Err(Ended::Failed(error)) => return Err(error),
        Ok(()) => {}
    }
    records(connection, TAIL)
}

/// Every sum and the gapless sequence of the newest `newest` records.
pub(super) fn records(connection: &Connection, newest: i64) -> Result<(), StoreError> {
    let sql = format!(
        "SELECT {} FROM record LEFT JOIN boot ON boot.id = record.boot ORDER BY record.seq DESC LIMIT ?1",
        rows::FOUND_COLUMNS
    );
    let mut statement = connection.prepare(&sql).map_err(store_error)?;
    let mut records = statement.query([newest]).map_err(store_error)?;
    let mut later: Option<i64> = None;
    while let Some(row) = records.next().map_err(store_error)? {
        let found = rows::found(row).map_err(store_error)?;
        if !found.intact {
            return Err(StoreError::Damaged(format!("record {} does not match its sum", found.seq)));
        }
        if later.is_some_and(|later| later != found.seq + 1) {
            return Err(StoreError::Damaged(format!("records after {} are missing", found.seq)));
        }
        later = Some(found.seq);
    }
    Ok(())
}

/// What the file keeps, as far as it can be read; doubt where it cannot.
pub(super) fn restore(connection: &mut Connection, wall: WallTime) -> Restored {
    let mut restored = Restored::default();
    let outcome = limited(connection, RESTORED_WITHIN, |connection| {
        kept(connection, wall, &mut restored)?;
        answered(connection, &mut restored)
    });
    match outcome {
        Err(Ended::TooLate) => restored.add_doubt("reading took too long: lockouts may be missing"),
        Err(Ended::Failed(error)) => restored.add_doubt(format!("{error}: lockouts may be missing")),
        Ok(()) => {}
    }
    restored.answered.reverse();
    restored
}

fn kept(connection: &Connection, wall: WallTime, restored: &mut Restored) -> Result<(), StoreError> {
    // A file that could not be brought to this version may be looked at all the same.
    let version = schema::version(connection)?.unwrap_or(schema::VERSION);
    let mark = if version >= schema::MARKED_SINCE { "mark" } else { "NULL" };
    let job = if version >= schema::JOBS_SINCE { "job" } else { "NULL" };
    let sql = format!(
        "SELECT machine, lockout_by, lockout_emergency, deferral_by, deferral_expires_wall_ms, \
         deferral_remaining_ms, crc, {mark}, {job} FROM kept"
    );
    let mut statement = connection.prepare(&sql).map_err(store_error)?;
    let mut found = statement.query([]).map_err(store_error)?;
    while let Some(row) = found.next().map_err(store_error)? {
        match rows::kept(row) {
            Ok((machine, Some(mut state))) => {
                for kept in [&mut state.deferral, &mut state.kept_on].into_iter().flatten() {
                    kept.remaining = kept.remaining_at(wall);
                }
                restored.kept.insert(machine, state);
            }
            Ok((machine, None)) => {
                restored.add_doubt(format!("what was kept of {machine} is damaged: it stays locked"));
                restored.kept.insert(machine, locked_for_safety());
            }
            Err(error) => restored.add_doubt(format!("{error}: a lockout may be missing")),
        }
    }
    Ok(())
}

fn answered(connection: &Connection, restored: &mut Restored) -> Result<(), StoreError> {
    // The newest first: until the next look after the file there may be more of an input than are remembered.
    let mut statement = connection
        .prepare("SELECT input, event, decision, wall_ms, crc FROM answered ORDER BY id DESC")
        .map_err(store_error)?;
    let mut found = statement.query([]).map_err(store_error)?;
    let mut counts: BTreeMap<Name, usize> = BTreeMap::new();
    while let Some(row) = found.next().map_err(store_error)? {
        match rows::answered(row) {
            Ok(Some(mut answered)) => {
                let count = counts.entry(answered.input.clone());
                // One name for all of them.
                answered.input = count.key().clone();
                let count = count.or_default();
                *count += 1;
                if *count <= OF_EACH_INPUT_MAX {
                    restored.answered.push(answered);
                }
            }
            Ok(None) | Err(_) => restored.add_doubt("an answered event could not be read"),
        }
    }
    Ok(())
}

/// How a piece of reading ended before it was done.
enum Ended {
    TooLate,
    Failed(StoreError),
}

/// Runs a piece of reading, but no longer than `within`.
fn limited(
    connection: &mut Connection,
    within: Span,
    work: impl FnOnce(&Connection) -> Result<(), StoreError>,
) -> Result<(), Ended> {
    let deadline = Instant::now() + Duration::from(within);
    let is_over = move || Instant::now() >= deadline;
    let failed = |error| Ended::Failed(store_error(error));
    connection.progress_handler(STEPS_BETWEEN_LOOKS, Some(is_over)).map_err(failed)?;
    let outcome = work(connection);
    connection.progress_handler(0, None::<fn() -> bool>).map_err(failed)?;
    match outcome {
        Err(StoreError::Io(_)) if is_over() => Err(Ended::TooLate),
        other => other.map_err(Ended::Failed),
    }
}
