//! Yesterday's program on today's file, today's on yesterday's, and people with any SQLite tool on both.

use super::*;

fn with_tool(file: &Path) -> rusqlite::Connection {
    rusqlite::Connection::open(file).unwrap()
}

fn text(connection: &rusqlite::Connection, sql: &str) -> String {
    connection.query_row(sql, [], |row| row.get(0)).unwrap()
}

fn written(folder: &Path) -> PathBuf {
    let file = journal_file(folder);
    let (journal, _) = start(&file);
    journal.append(decision(880));
    journal.append(
        Record::new(RecordKind::Incident, at(2), json!({ "kind": "still-drawing" })).of(name("kiln")),
    );
    journal.append(
        Record::new(RecordKind::IncidentOver, at(3), json!({ "kind": "still-drawing" })).of(name("kiln")),
    );
    let deferral = KeptUntil::of(name("schedule"), Moment(880), at(0));
    journal.append(lockout_change(4));
    journal.append(
        Change::default()
            .keeping(name("kiln"), KeptState { deferral: Some(deferral), ..KeptState::default() }),
    );
    assert!(journal.close(AGES));
    file
}

#[test]
fn people_find_decisions_incidents_and_lockouts_with_any_tool() {
    let folder = tempfile::tempdir().unwrap();
    let connection = with_tool(&written(folder.path()));
    let decision = "SELECT at || ' ' || machine || ' ' || input || ' ' || request || ' ' || decision || ' ' || reason \
        FROM decisions";
    assert_eq!(
        text(&connection, decision),
        "2026-11-25T02:38:30.000Z mill door-button off held machine-busy"
    );
    let incidents = "SELECT group_concat(machine || ' ' || incident || ' ' || over, ', ') FROM incidents";
    assert_eq!(text(&connection, incidents), "kiln still-drawing 0, kiln still-drawing 1");
    assert_eq!(
        text(&connection, "SELECT machine || ' ' || by_input || ' ' || emergency FROM lockouts"),
        "mill panel 1"
    );
    let deferrals = "SELECT machine || ' ' || by_input || ' ' || expires FROM deferrals";
    assert_eq!(text(&connection, deferrals), "kiln schedule 2026-11-25T02:38:30.000Z");
}

#[test]
fn the_file_has_the_settings_that_were_measured() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    let connection = with_tool(&file);
    for (pragma, value) in
        [("page_size", "4096"), ("auto_vacuum", "2"), ("journal_mode", "wal"), ("user_version", "4")]
    {
        let found: rusqlite::types::Value =
            connection.query_row(&format!("PRAGMA {pragma}"), [], |row| row.get(0)).unwrap();
        let found = match found {
            rusqlite::types::Value::Integer(number) => number.to_string(),
            rusqlite::types::Value::Text(text) => text,
            other => panic!("{pragma} is {other:?}"),
        };
        assert_eq!(found, value, "{pragma}");
    }
}

#[test]
fn the_sum_of_a_row_can_be_checked_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    let connection = with_tool(&written(folder.path()));
    let (line, crc): (String, u32) = connection
        .query_row(
            "SELECT concat_ws(char(10), seq, boot_id, mono_ms, wall_ms, kind, coalesce(machine, ''), body), crc \
             FROM record JOIN boot ON boot.id = record.boot WHERE seq = 1",
            [],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .unwrap();
    // CRC-32 as in RFC 1952 (gzip), section 8, which names ISO 3309: bit by bit with its reversed polynomial.
    let mut expected = u32::MAX;
    for byte in line.bytes() {
        expected ^= u32::from(byte);
        for _ in 0..8 {
            expected = if expected & 1 == 1 { expected >> 1 ^ 0xEDB8_8320 } else { expected >> 1 };
        }
    }
    assert_eq!(crc, !expected);
}

#[test]
fn a_journal_of_a_later_version_is_left_alone_but_its_lockouts_hold() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    with_tool(&file).execute_batch("PRAGMA user_version = 99; PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    let before = std::fs::read(&file).unwrap();
    let heard = Heard::default();
    let backend = FileBackend::new(file.clone(), limits());
    let (journal, restored) = Journal::start(Box::new(backend), quick(), heard.listener());
    assert_eq!(restored.kept[&name("mill")], locked("panel"));
    let storing = journal.append_durably(lockout_change(1)).settled_blocking();
    assert!(matches!(&storing, Storing::NotStored(why) if why.contains("later version")), "{storing:?}");
    assert!(heard.degraded());
    assert!(journal.close(AGES));
    assert!(std::fs::read(&file).unwrap() == before);
    assert!(matches!(
        JournalReader::open(&file),
        Err(StoreError::Newer { found: 99, known: SCHEMA_VERSION })
    ));
}

#[test]
fn views_that_people_add_are_theirs() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    with_tool(&file)
        .execute_batch("CREATE VIEW mine AS SELECT 1; CREATE INDEX mine_too ON record (kind)")
        .unwrap();
    let (journal, restored) = start(&file);
    assert_eq!(restored.doubt, None);
    assert_eq!(journal.append_durably(decision(9)).settled_blocking(), Storing::Stored);
    assert!(journal.close(AGES));
    assert_eq!(text(&with_tool(&file), "SELECT max(seq) || '' FROM record"), "5");
}

#[test]
fn a_kept_job_that_is_damaged_is_forgotten_and_locks_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let file = written(folder.path());
    let (journal, _) = start(&file);
    let job = idlegate_plan::kept::KeptJob { begun_ms: 7, ..Default::default() };
    let state = KeptState { job: Some(job.clone()), ..KeptState::default() };
    journal.append(Change::default().keeping(name("printer"), state));
    assert!(journal.close(AGES));
    let (journal, restored) = start(&file);
    assert_eq!(restored.kept[&name("printer")].job, Some(job));
    assert!(journal.close(AGES));
    with_tool(&file).execute("UPDATE kept SET job = replace(job, '7', '8')", []).unwrap();
    let (journal, restored) = start(&file);
    assert_eq!((restored.doubt.clone(), restored.in_doubt), (None, false));
    assert_eq!(restored.kept[&name("printer")], KeptState::default());
    assert!(journal.close(AGES));
}
