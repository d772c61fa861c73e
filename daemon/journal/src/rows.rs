//! Rows in and out of the tables, each with its checksum.

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension as _, Row as SqlRow, params};

use super::kept::Answered;
use super::reader::Found;
use super::record::{BootId, Row};
use super::sums::{self, RecordColumns};
use idlegate_guard::Decision;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::answered::{AGE_MAX, OF_EACH_INPUT_MAX};
use idlegate_plan::event::Name;
use idlegate_plan::kept::note::Mark;
use idlegate_plan::kept::{KeptJob, KeptLockout, KeptState, KeptUntil};

/// The columns that [`found`] reads, from `record JOIN boot`.
pub(super) const FOUND_COLUMNS: &str = "record.seq, boot.boot_id, record.mono_ms, record.wall_ms, \
    record.kind, record.machine, record.body, record.crc";

/// The number under which this boot's records refer to it.
pub(super) fn boot_number(connection: &Connection, boot: &BootId) -> rusqlite::Result<i64> {
    let known = connection
        .prepare_cached("SELECT id FROM boot WHERE boot_id = ?1")?
        .query_row([boot.as_str()], |row| row.get(0))
        .optional()?;
    match known {
        Some(number) => Ok(number),
        None => {
            connection.execute("INSERT INTO boot (boot_id) VALUES (?1)", [boot.as_str()])?;
            Ok(connection.last_insert_rowid())
        }
    }
}

/// The sequence number of the next record. Retention always leaves the last one, so it never starts anew.
pub(super) fn next_seq(connection: &Connection) -> rusqlite::Result<i64> {
    connection.prepare_cached("SELECT coalesce(max(seq), 0) + 1 FROM record")?.query_row([], |row| row.get(0))
}

/// The newest record.
pub(super) fn last(connection: &Connection) -> rusqlite::Result<Option<Found>> {
    let sql = format!(
        "SELECT {FOUND_COLUMNS} FROM record LEFT JOIN boot ON boot.id = record.boot ORDER BY record.seq DESC LIMIT 1"
    );
    connection.prepare_cached(&sql)?.query_row([], found).optional()
}

pub(super) fn insert_record(
    connection: &Connection,
    seq: i64,
    (number, boot): (i64, &BootId),
    row: &Row,
) -> rusqlite::Result<()> {
    let mono_ms = i64::try_from(row.at.moment.0).unwrap_or(i64::MAX);
    let wall_ms = row.at.wall.0;
    let machine = row.machine.as_ref().map(Name::as_str);
    let kind = row.kind.word();
    let crc = sums::record(&RecordColumns {
        seq,
        boot: boot.as_str(),
        mono_ms,
        wall_ms,
        kind,
        machine: machine.unwrap_or_default(),
        body: &row.body,
    });
    connection
        .prepare_cached(
            "INSERT INTO record (seq, boot, mono_ms, wall_ms, kind, machine, body, crc) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )?
        .execute(params![seq, number, mono_ms, wall_ms, kind, machine, &*row.body, crc])?;
    Ok(())
}

/// A record as it stands in the file, with the verdict of its checksum. Damaged columns are read as empty.
pub(super) fn found(row: &SqlRow<'_>) -> rusqlite::Result<Found> {
    let (seq, mono_ms, wall_ms) = (number(row, 0)?, number(row, 2)?, number(row, 3)?);
    let (boot, kind, body) = (text(row, 1)?, text(row, 4)?, text(row, 6)?);
    let machine = match row.get_ref(5)? {
        ValueRef::Null => None,
        _ => Some(text(row, 5)?),
    };
    let sum = sums::record(&RecordColumns {
        seq,
        boot: &boot,
        mono_ms,
        wall_ms,
        kind: &kind,
        machine: machine.as_deref().unwrap_or_default(),
        body: &body,
    });
    let at = Now { moment: Moment(u64::try_from(mono_ms).unwrap_or(0)), wall: WallTime(wall_ms) };
    let intact = number(row, 7)? == i64::from(sum);
    Ok(Found { seq, boot: BootId::new(&boot), at, kind, machine, body, intact })
}

fn number(row: &SqlRow<'_>, column: usize) -> rusqlite::Result<i64> {
    Ok(row.get_ref(column)?.as_i64().unwrap_or(0))
}

fn text(row: &SqlRow<'_>, column: usize) -> rusqlite::Result<String> {
    Ok(match row.get_ref(column)? {
        ValueRef::Text(bytes) => String::from_utf8_lossy(bytes).into_owned(),
        ValueRef::Null | ValueRef::Integer(_) | ValueRef::Real(_) | ValueRef::Blob(_) => String::new(),
    })
}

pub(super) fn put_kept(connection: &Connection, machine: &Name, kept: &KeptState) -> rusqlite::Result<()> {
    if kept.is_empty() {
        connection.prepare_cached("DELETE FROM kept WHERE machine = ?1")?.execute([machine.as_str()])?;
        return Ok(());
    }
    let (lockout, deferral) = (kept.lockout(), kept.deferral.as_ref());
    let mark = Mark::text(kept);
    connection.prepare_cached("REPLACE INTO kept VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?.execute(
        params![
            machine.as_str(),
            lockout.map(|lockout| lockout.by.as_str()),
            lockout.map(|lockout| lockout.emergency),
            deferral.map(|deferral| deferral.by.as_str()),
            deferral.map(|deferral| deferral.expires.0),
            deferral.map(|deferral| i64::try_from(deferral.remaining.0).unwrap_or(i64::MAX)),
            sums::kept(machine.as_str(), kept, mark.as_deref()),
            mark,
            kept.job.as_ref().map(|job| job.to_text(sums::text)),
        ],
    )?;
    Ok(())
}

/// The machine, and what is kept of it unless its row is damaged. An error when even the machine is unreadable.
pub(super) fn kept(row: &SqlRow<'_>) -> rusqlite::Result<(Name, Option<KeptState>)> {
    let machine: String = row.get(0)?;
    let machine = Name::new(&machine).map_err(|_| rusqlite::Error::InvalidColumnName(machine))?;
    let mark = row.get::<_, Option<String>>(7);
    let crc = row.get::<_, i64>(6).ok();
    let intact = |state: &KeptState, mark: Option<&str>| {
        crc == Some(i64::from(sums::kept(machine.as_str(), state, mark)))
    };
    let state = match (kept_columns(row), mark) {
        (Ok(Some(state)), Ok(mark)) if intact(&state, mark.as_deref()) => match mark {
            Some(mark) => Mark::put(&mark, state),
            None => Some(state),
        },
        (Ok(_) | Err(_), _) => None,
    };
    let job = row.get::<_, Option<String>>(8).ok().flatten();
    let job = job.and_then(|text| KeptJob::from_text(&text, sums::text));
    Ok((machine, state.map(|state| KeptState { job, ..state })))
}

fn kept_columns(row: &SqlRow<'_>) -> rusqlite::Result<Option<KeptState>> {
    let name = |text: String| Name::new(&text).ok();
    let lockout: Option<KeptLockout> = match row.get::<_, Option<String>>(1)?.map(name) {
        Some(Some(by)) => Some(KeptLockout::new(by, row.get(2)?)),
        Some(None) => return Ok(None),
        None => None,
    };
    let deferral = match row.get::<_, Option<String>>(3)?.map(name) {
        Some(Some(by)) => {
            let remaining = Span(u64::try_from(row.get::<_, i64>(5)?).unwrap_or(0));
            Some(KeptUntil { by, expires: WallTime(row.get(4)?), remaining })
        }
        Some(None) => return Ok(None),
        None => None,
    };
    // Whatever else is known of it, and the others, stand in its mark.
    Ok(Some(KeptState { locks: lockout.into_iter().collect(), deferral, ..KeptState::default() }))
}

pub(super) fn put_answered(connection: &Connection, answered: &Answered) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "REPLACE INTO answered (input, event, decision, wall_ms, crc) VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute(params![
            answered.input.as_str(),
            &*answered.event,
            &*answered.decision,
            answered.at.0,
            sums::answered(answered),
        ])?;
    Ok(())
}

/// Nothing for a damaged row.
pub(super) fn answered(row: &SqlRow<'_>) -> rusqlite::Result<Option<Answered>> {
    let Ok(input) = Name::new(&row.get::<_, String>(0)?) else { return Ok(None) };
    let event = row.get::<_, String>(1)?.into();
    let word: String = row.get(2)?;
    // There may be many of them, and few words.
    let known = Decision::ALL.iter().map(|decision| decision.word()).find(|known| *known == word);
    let decision = known.map_or(word.into(), Into::into);
    let answered = Answered { input, event, decision, at: WallTime(row.get(3)?) };
    let intact = row.get::<_, i64>(4)? == i64::from(sums::answered(&answered));
    Ok(Some(answered).filter(|_| intact))
}

/// Forgets answered ids beyond their age.
pub(super) fn prune_aged_answered(connection: &Connection, now: WallTime) -> rusqlite::Result<()> {
    let age = i64::try_from(AGE_MAX.0).unwrap_or(i64::MAX);
    connection
        .prepare_cached("DELETE FROM answered WHERE wall_ms < ?1")?
        .execute([now.0.saturating_sub(age)])?;
    Ok(())
}

/// Forgets answered ids, of each input, beyond their number.
pub(super) fn prune_surplus_answered(connection: &Connection) -> rusqlite::Result<()> {
    let most = i64::try_from(OF_EACH_INPUT_MAX).unwrap_or(i64::MAX);
    // Counted in the index alone; hardly ever has an input more than it may.
    let mut counted =
        connection.prepare_cached("SELECT input FROM answered GROUP BY input HAVING count(*) > ?1")?;
    let inputs: Vec<String> = counted.query_map([most], |row| row.get(0))?.collect::<Result<_, _>>()?;
    let mut delete = connection.prepare_cached(
        "DELETE FROM answered WHERE input = ?1 AND id <= \
         (SELECT id FROM answered WHERE input = ?1 ORDER BY id DESC LIMIT 1 OFFSET ?2)",
    )?;
    for input in inputs {
        delete.execute(params![input, most])?;
    }
    Ok(())
}
