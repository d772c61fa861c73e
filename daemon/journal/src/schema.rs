//! The file's layout and how older ones become newer ones. SCHEMA.md tells people of it.

use rusqlite::{Connection, OptionalExtension as _};

use super::sqlite_error::store_error;
use super::store::StoreError;

/// "IDLG": tells our files from anyone else's SQLite file.
pub(super) const APPLICATION_ID: i64 = 0x4944_4C47;

/// Step n leads from version n to n + 1. A step that has been released never changes; a new file takes them all,
/// so that it cannot differ from one that was migrated.
const STEPS: [&str; 4] = [
    include_str!("schema/v1.sql"),
    include_str!("schema/v2.sql"),
    include_str!("schema/v3.sql"),
    include_str!("schema/v4.sql"),
];

pub const VERSION: i64 = 4;
const _: () = assert!(VERSION == STEPS.len() as i64, "the version is the number of steps");

/// `kept.mark` is there since this version.
pub(super) const MARKED_SINCE: i64 = 3;
/// And `kept.job` since this one.
pub(super) const JOBS_SINCE: i64 = 4;

/// The settings that must stand before the first table.
pub(super) const NEW_FILE: &str = "PRAGMA page_size = 4096; PRAGMA auto_vacuum = INCREMENTAL;";

/// The settings of every connection that writes. What is deleted or blanked does not stay behind in its page.
pub(super) const CONNECTION: &str = "\
    PRAGMA busy_timeout = 200; PRAGMA cell_size_check = ON; PRAGMA trusted_schema = OFF; \
    PRAGMA foreign_keys = ON; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
    PRAGMA wal_autocheckpoint = 200; PRAGMA journal_size_limit = 1048576; \
    PRAGMA secure_delete = FAST;";

/// The version of a file of ours; nothing when it is not ours.
pub(super) fn version(connection: &Connection) -> Result<Option<i64>, StoreError> {
    let pragma = |name| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    if pragma("application_id").map_err(store_error)? != APPLICATION_ID {
        return Ok(None);
    }
    pragma("user_version").map(Some).map_err(store_error)
}

/// Takes a file of an older version, or an empty one, to this version: all steps or none.
pub(super) fn migrate(connection: &Connection, from: i64) -> Result<(), StoreError> {
    let done = usize::try_from(from).unwrap_or(0);
    let mut script = String::from("BEGIN IMMEDIATE;");
    for step in STEPS.iter().skip(done) {
        script.push_str(step);
    }
    script.push_str(&format!(
        "PRAGMA user_version = {VERSION}; PRAGMA application_id = {APPLICATION_ID}; COMMIT;"
    ));
    connection.execute_batch(&script).map_err(|error| {
        // A failed COMMIT may have ended the transaction already; then there is nothing to roll back.
        let _ = connection.execute_batch("ROLLBACK");
        store_error(error)
    })
}

/// Whether our tables and views stand there as we made them. What people added beside them is theirs.
pub(super) fn compare(connection: &Connection) -> Result<(), StoreError> {
    let expected = Connection::open_in_memory().map_err(store_error)?;
    migrate(&expected, 0)?;
    let mut listing =
        expected.prepare("SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL").map_err(store_error)?;
    let mut rows = listing.query([]).map_err(store_error)?;
    while let Some(row) = rows.next().map_err(store_error)? {
        let (name, sql): (String, String) =
            (row.get(0).map_err(store_error)?, row.get(1).map_err(store_error)?);
        let found: Option<Option<String>> = connection
            .query_row("SELECT sql FROM sqlite_schema WHERE name = ?1", [&name], |row| row.get(0))
            .optional()
            .map_err(store_error)?;
        if found.flatten().as_deref() != Some(sql.as_str()) {
            return Err(StoreError::Damaged(format!("the definition of {name} has changed")));
        }
    }
    Ok(())
}
