//! Reading the journal beside the thread that writes it, or when nothing writes it at all, a read-only disk
//! included. Never changes anything, never holds the file for longer than a page of records.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use rusqlite::types::Value as SqlValue;
use rusqlite::{Connection, OpenFlags, params_from_iter};
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::alive::Sign;
use super::check;
use super::kept::Restored;
use super::record::{BootId, RecordKind};
use super::rows;
use super::schema;
use super::sqlite::wal_file;
use super::sqlite_error::store_error;
use super::store::StoreError;
use idlegate_guard::time::{Now, Span, WallTime};
use idlegate_plan::event::Name;

/// So many records are read before the file is let go again.
const PAGE: usize = 500;

/// A record as it was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    pub seq: i64,
    pub boot: BootId,
    pub at: Now,
    /// Its word: a later version may have written kinds that this one does not know.
    pub kind: String,
    pub machine: Option<String>,
    /// One line of JSON.
    pub body: String,
    /// False when the record does not match its checksum.
    pub intact: bool,
}

impl Found {
    pub fn kind(&self) -> Option<RecordKind> {
        RecordKind::from_word(&self.kind)
    }

    /// The body as what such a record holds; without anything said where a damaged one can no longer be parsed.
    pub fn read<T: Default + DeserializeOwned>(&self) -> T {
        idlegate_messages::read(self.body.as_bytes()).unwrap_or_default()
    }

    /// As it stands there, for whoever passes it on. Null when a damaged record can no longer be parsed.
    pub fn body(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or(Value::Null)
    }
}

/// Which records; everything that is not set matches all.
#[derive(Clone, Debug, Default)]
pub struct Query {
    /// After the first and up to the second of these sequence numbers.
    pub within: Option<(i64, i64)>,
    /// From this wall time on.
    pub from: Option<WallTime>,
    /// Before this wall time.
    pub to: Option<WallTime>,
    pub machine: Option<Name>,
    pub kinds: Vec<RecordKind>,
}

impl Query {
    fn conditions(&self) -> (String, Vec<SqlValue>) {
        let mut sql = String::new();
        let mut values = Vec::new();
        let mut add = |condition: &str, value: SqlValue| {
            values.push(value);
            sql.push_str(&format!(" AND {condition} ?{}", values.len()));
        };
        // The plus keeps the time's index out: a page read by it would sort all that is left, each time anew.
        if let Some(from) = self.from {
            add("+record.wall_ms >=", SqlValue::Integer(from.0));
        }
        if let Some(to) = self.to {
            add("+record.wall_ms <", SqlValue::Integer(to.0));
        }
        if let Some(machine) = &self.machine {
            add("record.machine =", SqlValue::Text(machine.as_str().to_owned()));
        }
        if !self.kinds.is_empty() {
            // The words are our own and hold no quotes.
            let words: Vec<_> = self.kinds.iter().map(|kind| format!("'{}'", kind.word())).collect();
            sql.push_str(&format!(" AND record.kind IN ({})", words.join(", ")));
        }
        (sql, values)
    }
}

#[derive(Debug)]
pub struct JournalReader {
    connection: Connection,
    file: PathBuf,
    // Removed when the reader goes.
    _copy: Option<Copy>,
}

impl JournalReader {
    pub fn open(file: &Path) -> Result<JournalReader, StoreError> {
        let reader = JournalReader::open_whatever_it_is(file)?;
        match schema::version(&reader.connection)? {
            Some(version) if version > schema::VERSION => {
                Err(StoreError::Newer { found: version, known: schema::VERSION })
            }
            Some(_) => Ok(reader),
            None => Err(StoreError::Damaged("not a journal".into())),
        }
    }

    /// All matching records, oldest first.
    pub fn records(&self, query: &Query) -> Records<'_> {
        let (conditions, values) = query.conditions();
        // Whatever is wrong with the time's index, the pages meet it, too, and say so.
        let between = self.between(query).unwrap_or(Some((0, i64::MAX)));
        let (after, until) = between.unwrap_or((0, 0));
        let ended = between.is_none();
        Records { reader: self, conditions, values, after, until, page: Vec::new().into_iter(), ended }
    }

    /// The newest `count` matching records, oldest first.
    pub fn last(&self, count: usize, query: &Query) -> Result<Vec<Found>, StoreError> {
        let (conditions, values) = query.conditions();
        let Some(between) = self.between(query)? else { return Ok(Vec::new()) };
        let mut found = self.page(&conditions, &values, between, "DESC", count)?;
        found.reverse();
        Ok(found)
    }

    /// Every machine that a record is of.
    pub fn machines(&self) -> Result<Vec<String>, StoreError> {
        let mut machines: Vec<String> = Vec::new();
        let sql = "SELECT min(machine) FROM record WHERE machine IS NOT NULL AND machine > ?1";
        let mut next = self.connection.prepare_cached(sql).map_err(store_error)?;
        loop {
            let after = machines.last().map_or("", String::as_str);
            let found: Option<String> = next.query_row([after], |row| row.get(0)).map_err(store_error)?;
            match found {
                Some(machine) => machines.push(machine),
                None => return Ok(machines),
            }
        }
    }

    /// Until when somebody is known to have kept this journal: the last sign of life beside it, or its last record.
    pub fn alive_until(&self) -> Result<Option<WallTime>, StoreError> {
        let last = rows::last(&self.connection).map_err(store_error)?.map(|found| found.at.wall);
        Ok(last.max(Sign::beside(&self.file).map(|sign| sign.at().wall)))
    }

    /// After which record, and until which, all lie that have such a time; nothing if there are none. Found in the
    /// time's index, so that a page is read from where it begins.
    pub fn numbers(&self, query: &Query) -> Result<Option<(i64, i64)>, StoreError> {
        if query.from.is_none() && query.to.is_none() {
            return Ok(Some((0, i64::MAX)));
        }
        let (from, to) = (query.from.map_or(i64::MIN, |at| at.0), query.to.map_or(i64::MAX, |at| at.0));
        let sql = "SELECT min(seq), max(seq) FROM record WHERE wall_ms >= ?1 AND wall_ms < ?2";
        let found = self.connection.prepare_cached(sql).and_then(|mut statement| {
            statement.query_row([from, to], |row| {
                Ok(row.get::<_, Option<i64>>(0)?.zip(row.get::<_, Option<i64>>(1)?))
            })
        });
        Ok(found.map_err(store_error)?.map(|(first, last)| (first - 1, last)))
    }

    fn between(&self, query: &Query) -> Result<Option<(i64, i64)>, StoreError> {
        query.within.map_or_else(|| self.numbers(query), |within| Ok(Some(within)))
    }

    /// The machine's newest sound record of this kind, if it is among so many of its newest records.
    pub fn newest_of(
        &self,
        machine: &Name,
        kind: RecordKind,
        among: usize,
    ) -> Result<Option<Found>, StoreError> {
        let query = Query { machine: Some(machine.clone()), ..Query::default() };
        let newest = self.last(among, &query)?;
        Ok(newest.into_iter().rev().find(|found| found.intact && found.kind() == Some(kind)))
    }

    /// What the file keeps.
    pub fn restored(&mut self, now: Now) -> Restored {
        check::restore(&mut self.connection, now.wall)
    }

    /// Reads everything: SQLite's full check, every sum, the whole sequence. For repairs and tests; it takes as
    /// long as it takes.
    pub fn verify(&mut self) -> Result<(), StoreError> {
        schema::compare(&self.connection)?;
        let verdict: String = self
            .connection
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
            .map_err(store_error)?;
        if verdict != "ok" {
            return Err(StoreError::Damaged(verdict));
        }
        check::records(&self.connection, i64::MAX)?;
        let restored = check::restore(&mut self.connection, WallTime(0));
        restored.doubt.map_or(Ok(()), |doubt| Err(StoreError::Damaged(doubt)))
    }

    fn open_whatever_it_is(file: &Path) -> Result<JournalReader, StoreError> {
        let direct = connect(file, "?mode=ro");
        let usable = direct.and_then(|connection| {
            // Opening is lazy; only a look inside shows whether the log can be read.
            connection
                .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0))
                .map_err(store_error)?;
            Ok(JournalReader { connection, file: file.to_owned(), _copy: None })
        });
        match usable {
            Ok(reader) => Ok(reader),
            Err(error @ (StoreError::Io(_) | StoreError::ReadOnly(_))) => {
                JournalReader::open_unwritable(file, error)
            }
            Err(error) => Err(error),
        }
    }

    /// On a read-only disk SQLite cannot make the index of the log. Without a log nothing is lost by leaving it
    /// off; with one, the newest records are in it, so both files are read as a copy.
    fn open_unwritable(file: &Path, error: StoreError) -> Result<JournalReader, StoreError> {
        let has_log = fs::metadata(wal_file(file)).is_ok_and(|metadata| metadata.len() > 0);
        if !has_log {
            let connection = connect(file, "?mode=ro&immutable=1")?;
            return Ok(JournalReader { connection, file: file.to_owned(), _copy: None });
        }
        let copy = Copy::of(file).map_err(|_| error)?;
        let connection = connect(&copy.file(), "")?;
        Ok(JournalReader { connection, file: file.to_owned(), _copy: Some(copy) })
    }

    fn page(
        &self,
        conditions: &str,
        values: &[SqlValue],
        (after, until): (i64, i64),
        order: &str,
        count: usize,
    ) -> Result<Vec<Found>, StoreError> {
        let next = values.len() + 1;
        let sql = format!(
            "SELECT {} FROM record LEFT JOIN boot ON boot.id = record.boot \
             WHERE record.seq > ?{next} AND record.seq <= ?{}{conditions} ORDER BY record.seq {order} LIMIT {count}",
            rows::FOUND_COLUMNS,
            next + 1
        );
        let values = values.iter().cloned().chain([SqlValue::Integer(after), SqlValue::Integer(until)]);
        let mut statement = self.connection.prepare_cached(&sql).map_err(store_error)?;
        let found = statement.query_map(params_from_iter(values), rows::found).map_err(store_error)?;
        found.collect::<rusqlite::Result<_>>().map_err(store_error)
    }
}

/// Records, read a page at a time. Ends after the first error.
#[derive(Debug)]
pub struct Records<'a> {
    reader: &'a JournalReader,
    conditions: String,
    values: Vec<SqlValue>,
    after: i64,
    until: i64,
    page: std::vec::IntoIter<Found>,
    ended: bool,
}

impl Iterator for Records<'_> {
    type Item = Result<Found, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        if let Some(found) = self.page.next() {
            self.after = found.seq;
            return Some(Ok(found));
        }
        if self.ended {
            return None;
        }
        match self.reader.page(&self.conditions, &self.values, (self.after, self.until), "ASC", PAGE) {
            Ok(page) => {
                self.ended = page.len() < PAGE;
                self.page = page.into_iter();
                let found = self.page.next()?;
                self.after = found.seq;
                Some(Ok(found))
            }
            Err(error) => {
                self.ended = true;
                Some(Err(error))
            }
        }
    }
}

/// The kept state of a file that cannot be opened for writing, whatever its version and condition.
pub(super) fn restore_without_writing(file: &Path, wall: WallTime) -> Restored {
    match JournalReader::open_whatever_it_is(file) {
        Ok(mut reader) => check::restore(&mut reader.connection, wall),
        Err(error) => {
            let mut restored = Restored::default();
            restored.add_doubt(format!("{error}: lockouts of an earlier run may be missing"));
            restored
        }
    }
}

fn connect(file: &Path, options: &str) -> Result<Connection, StoreError> {
    let read_only =
        if options.is_empty() { OpenFlags::SQLITE_OPEN_READ_WRITE } else { OpenFlags::SQLITE_OPEN_READ_ONLY };
    let flags = read_only | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let uri = format!("file:{}{options}", escaped(file));
    let connection = Connection::open_with_flags(uri, flags).map_err(store_error)?;
    connection.busy_timeout(Span(200).into()).map_err(store_error)?;
    connection
        .execute_batch("PRAGMA trusted_schema = OFF; PRAGMA cell_size_check = ON; PRAGMA query_only = ON")
        .map_err(store_error)?;
    Ok(connection)
}

/// A path as part of a URI.
fn escaped(file: &Path) -> String {
    use std::os::unix::ffi::OsStrExt as _;
    let mut text = String::new();
    for byte in file.as_os_str().as_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => {
                text.push(char::from(*byte))
            }
            _ => text.push_str(&format!("%{byte:02X}")),
        }
    }
    text
}

/// A private copy of the file and its log in the folder for temporary files.
#[derive(Debug)]
struct Copy(PathBuf);

impl Copy {
    fn of(file: &Path) -> std::io::Result<Copy> {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let name = format!("idlegate-journal-{}-{number}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        // Fails if it exists, whoever made it.
        fs::create_dir(&folder)?;
        let copy = Copy(folder);
        fs::copy(file, copy.file())?;
        fs::copy(wal_file(file), wal_file(&copy.file()))?;
        Ok(copy)
    }

    fn file(&self) -> PathBuf {
        self.0.join("journal.sqlite")
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        // A leftover in the folder for temporary files harms nobody.
        let _ = fs::remove_dir_all(&self.0);
    }
}
