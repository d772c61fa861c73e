//! The journal stays within its size and age, whatever happens.

use super::*;
use crate::answered::OF_EACH_INPUT_MAX;

fn filled(file: &Path, limits: Limits, count: u64, from: u64) {
    let (journal, _) =
        Journal::start(Box::new(FileShelf::new(file.to_owned(), limits)), quick(), nobody_listens());
    for number in from..from + count {
        journal.append(decision(number));
        if number % 500 == 0 {
            assert_eq!(journal.append_durably(decision(number)).settled_blocking(), Storing::Stored);
        }
    }
    assert!(journal.close(AGES));
}

#[test]
fn a_full_file_loses_its_oldest_records_and_goes_on_without_a_gap() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let limits = Limits { file_bytes_max: 600 * 1024, ..limits() };
    filled(&file, limits, 6_000, 0);
    assert!(std::fs::metadata(&file).unwrap().len() <= 600 * 1024);
    assert_sound(&file);
    let found = all(&file);
    assert!(found[0].seq > 1, "old ones went");
    assert!(found.len() > 500, "not more than had to");
    assert_eq!(found.last().unwrap().at, at(5_999), "the newest are there");
    assert!(found.iter().all(|found| found.kind() == Some(Kind::Decision)), "no trouble was met");
}

#[test]
fn old_records_go_with_age_but_a_clock_far_ahead_does_not_empty_the_journal() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    // All records are older than a millisecond.
    let limits = Limits { age_max: Span(1), ..limits() };
    filled(&file, limits, 12_000, 0);
    let (journal, _) =
        Journal::start(Box::new(FileShelf::new(file.clone(), limits)), quick(), nobody_listens());
    let reader = Reader::open(&file).unwrap();
    let first = || reader.records(&Query::default()).next().unwrap().unwrap().seq;
    let last = || reader.last(1, &Query::default()).unwrap()[0].seq;
    until("the oldest have gone", || first() == last() - 10_000);
    assert!(journal.close(AGES));
    assert_sound(&file);
}

fn answered(input: &str, number: usize, wall: WallTime) -> Change {
    Change::default().answering(Answered::new(name(input), &number.to_string().into(), "held", wall))
}

fn events(restored: &Restored, input: &str) -> Vec<usize> {
    let answered = restored.answered.iter().filter(|answered| answered.input.as_str() == input);
    answered.map(|answered| answered.event.parse().unwrap()).collect()
}

#[test]
fn answered_events_are_bounded_in_age_and_of_each_input_in_number() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _) = start(&file);
    let wall = Clock.now().wall;
    journal.append(answered("panel", 9_999_999, WallTime(wall.0 - 25 * 3_600_000)));
    journal.append(answered("panel", 1, wall));
    for number in 0..OF_EACH_INPUT_MAX + 100 {
        journal.append(answered("button", number, wall));
        if number % 1_000 == 0 {
            assert_eq!(journal.append_durably(decision(1)).settled_blocking(), Storing::Stored);
        }
    }
    // Twice the same event is one.
    journal.append(answered("button", OF_EACH_INPUT_MAX + 50, wall));
    let _ = journal.append_durably(decision(1)).settled_blocking();
    let mut reader = Reader::open(&file).unwrap();
    let expected = (100..OF_EACH_INPUT_MAX + 100).filter(|number| *number != OF_EACH_INPUT_MAX + 50);
    let expected: Vec<_> = expected.chain([OF_EACH_INPUT_MAX + 50]).collect();
    assert_eq!(events(&reader.restored(at(0)), "button"), expected, "nor are more of them read");
    let table = rusqlite::Connection::open(&file).unwrap();
    let rows = || table.query_row("SELECT count(*) FROM answered", [], |row| row.get::<_, i64>(0)).unwrap();
    until("the surplus has gone", || rows() == 4_096 + 1);
    let kept = reader.restored(at(0));
    assert_eq!(events(&kept, "button"), expected);
    assert_eq!(events(&kept, "panel"), [1]);
    assert!(journal.close(AGES));
}

#[test]
fn what_is_remembered_of_many_inputs_goes_into_a_file_that_is_begun_anew() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _) = start(&file);
    let wall = Clock.now().wall;
    let inputs = ["panel", "button", "voice"];
    for number in 0..OF_EACH_INPUT_MAX {
        inputs.iter().for_each(|input| journal.append(answered(input, number, wall)));
        if number % 500 == 0 {
            assert_eq!(journal.append_durably(decision(1)).settled_blocking(), Storing::Stored);
        }
    }
    assert_eq!(journal.append_durably(decision(2)).settled_blocking(), Storing::Stored);
    assert!(journal.close(AGES));
    let (journal, restored) = start(&file);
    assert_eq!(restored.answered.len(), inputs.len() * OF_EACH_INPUT_MAX);
    std::fs::remove_file(&file).unwrap();
    assert_eq!(journal.append_durably(decision(3)).settled_blocking(), Storing::Stored);
    assert!(journal.close(AGES));
    let kept = Reader::open(&file).unwrap().restored(at(0));
    for input in inputs {
        assert_eq!(events(&kept, input), (0..OF_EACH_INPUT_MAX).collect::<Vec<_>>(), "{input}");
    }
}
