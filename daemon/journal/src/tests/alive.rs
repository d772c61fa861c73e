//! What a run leaves behind that was killed: until when somebody watched.

use super::*;

fn later(now: Now, secs: u64) -> Now {
    Now {
        moment: now.moment + Span::secs(secs),
        wall: WallTime(now.wall.0 + i64::try_from(secs * 1_000).unwrap()),
    }
}

/// A run that begins, is tended for ten minutes, and ends as it is told to; then the computer is off until the next one
/// opens the file.
fn next_run_finds(file: &Path, stops: bool, ahead_secs: u64) -> Vec<(RecordKind, i64)> {
    let begin = Clock.now();
    let entry = |kind| Entry::of(Change::from(Record::new(kind, begin, json!({}))));
    {
        let mut store = FileBackend::new(file.to_owned(), limits()).open(begin, None).unwrap().store;
        store.store(&[&entry(RecordKind::Start)]).unwrap();
        (1..=10).for_each(|minute| assert!(!store.tend(later(begin, minute * 60 + ahead_secs)).unwrap()));
        if stops {
            store.store(&[&entry(RecordKind::Stop)]).unwrap();
        }
    }
    drop(FileBackend::new(file.to_owned(), limits()).open(later(begin, 8 * 3_600), None).unwrap());
    let found = all(file);
    found.iter().map(|found| (found.kind().unwrap(), (found.at.wall.0 - begin.wall.0) / 1_000)).collect()
}

#[test]
fn a_run_that_was_killed_is_stopped_at_its_last_sign_of_life() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    assert_eq!(next_run_finds(&file, false, 0), [(RecordKind::Start, 0), (RecordKind::Stop, 600)]);
    assert_eq!(all(&file)[1].body()["unexpected"], true);
    assert_sound(&file);
    // Opened again and again, by a run that has not begun yet.
    assert_eq!(all(&file).len(), 2);
    drop(FileBackend::new(file.clone(), limits()).open(Clock.now(), None).unwrap());
    assert_eq!(all(&file).len(), 2);
}

#[test]
fn a_run_that_stopped_is_not_stopped_twice() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    assert_eq!(next_run_finds(&file, true, 0), [(RecordKind::Start, 0), (RecordKind::Stop, 0)]);
}

/// Its clock was years ahead when it was killed: the stop belongs to no such time.
#[test]
fn a_run_whose_clock_was_ahead_is_stopped_at_its_last_record() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    assert_eq!(next_run_finds(&file, false, 60_000_000), [(RecordKind::Start, 0), (RecordKind::Stop, 0)]);
}

/// The disk fails and comes back within one run.
#[test]
fn a_run_that_opens_its_file_again_has_not_ended() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let mut backend = FileBackend::new(file.clone(), limits());
    let mut store = backend.open(Clock.now(), None).unwrap().store;
    let start = Entry::of(Change::from(Record::new(RecordKind::Start, Clock.now(), json!({}))));
    store.store(&[&start]).unwrap();
    drop(store);
    drop(backend.open(Clock.now(), None).unwrap());
    assert_eq!(words(&all(&file)), ["start"]);
}
