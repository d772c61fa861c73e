//! How old and how large the journal may grow. The oldest records go first, a bounded number at a time, and the
//! last one always stays, so that the sequence never starts anew.

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::file_backend::Limits;
use super::names::{self, Blanked};
use super::rows;
use idlegate_guard::time::WallTime;

/// So many records are deleted, and so many pages given back, in one go.
const DELETED_AT_ONCE: i64 = 500;
const PAGES_AT_ONCE: u32 = 200;
/// Age never takes the newest records, whatever the clock says.
const KEPT_WHATEVER_THEIR_AGE: i64 = 10_000;
/// Deleting begins when the file is this full, so that writing hardly ever meets the cap.
const FULL_PER_CENT: u64 = 90;

pub(super) const PAGE_BYTES: u64 = 4096;

/// One bounded round. True when there is more to do. Without a time that can be relied on, nothing goes by its age.
pub(super) fn tend(
    connection: &mut Connection,
    limits: &Limits,
    blanked: &mut Blanked,
    now: Option<WallTime>,
) -> rusqlite::Result<bool> {
    let transaction = Transaction::new(connection, TransactionBehavior::Immediate)?;
    rows::prune_surplus_answered(&transaction)?;
    let (mut deleted, mut more_names, mut reached) = (0, false, *blanked);
    if let Some(now) = now {
        rows::prune_aged_answered(&transaction, now)?;
        let age = i64::try_from(limits.age_max.0).unwrap_or(i64::MAX);
        deleted = delete_older(&transaction, now.0.saturating_sub(age))?;
        more_names = names::blank(&transaction, &mut reached, limits.names_age_max, now)?;
    }
    if deleted == 0 && used_pages(&transaction)? * 100 > limits.pages_max() * FULL_PER_CENT {
        deleted = delete_oldest(&transaction)?;
    }
    transaction.commit()?;
    *blanked = reached;
    let free: u64 = pragma(connection, "freelist_count")?;
    if free > u64::from(PAGES_AT_ONCE) {
        // The pragma frees a page a step, so it must be stepped to its end.
        let mut statement = connection.prepare(&format!("PRAGMA incremental_vacuum({PAGES_AT_ONCE})"))?;
        let mut steps = statement.query([])?;
        while steps.next()?.is_some() {}
    }
    Ok(more_names || deleted == DELETED_AT_ONCE || free > 2 * u64::from(PAGES_AT_ONCE))
}

/// When a write has met the cap or the end of the disk: pages of old records are free for new ones at once.
pub(super) fn make_room(connection: &mut Connection) -> rusqlite::Result<()> {
    let transaction = Transaction::new(connection, TransactionBehavior::Immediate)?;
    for _ in 0..4 {
        delete_oldest(&transaction)?;
    }
    transaction.commit()
}

fn delete_older(connection: &Connection, than_wall_ms: i64) -> rusqlite::Result<i64> {
    let (oldest, newest) = ends(connection)?;
    let end = (oldest + DELETED_AT_ONCE).min(newest - KEPT_WHATEVER_THEIR_AGE);
    // Only what is old without a break: the sequence must stay gapless. The plus keeps the time's index out.
    let end: i64 = connection
        .prepare_cached("SELECT coalesce(min(seq), ?2) FROM record WHERE seq < ?2 AND +wall_ms >= ?1")?
        .query_row([than_wall_ms, end], |row| row.get(0))?;
    delete_before(connection, end)
}

fn delete_oldest(connection: &Connection) -> rusqlite::Result<i64> {
    let (oldest, newest) = ends(connection)?;
    delete_before(connection, (oldest + DELETED_AT_ONCE).min(newest))
}

fn delete_before(connection: &Connection, seq: i64) -> rusqlite::Result<i64> {
    let deleted = connection.prepare_cached("DELETE FROM record WHERE seq < ?1")?.execute([seq])?;
    Ok(i64::try_from(deleted).unwrap_or(i64::MAX))
}

fn ends(connection: &Connection) -> rusqlite::Result<(i64, i64)> {
    connection
        .prepare_cached("SELECT coalesce(min(seq), 0), coalesce(max(seq), 0) FROM record")?
        .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))
}

/// Pages that hold something.
fn used_pages(connection: &Connection) -> rusqlite::Result<u64> {
    let pages: u64 = pragma(connection, "page_count")?;
    Ok(pages.saturating_sub(pragma(connection, "freelist_count")?))
}

fn pragma(connection: &Connection, name: &str) -> rusqlite::Result<u64> {
    let value: i64 = connection.pragma_query_value(None, name, |row| row.get(0))?;
    Ok(u64::try_from(value).unwrap_or(0))
}
