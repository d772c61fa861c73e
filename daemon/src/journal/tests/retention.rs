//! The journal stays within its size and age, whatever happens.

use super::*;

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

#[test]
fn answered_events_are_bounded_in_number_and_age() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _) = start(&file);
    let wall = Clock.now().wall;
    let answered = |number: usize, wall| Answered::new(name("panel"), &number.to_string(), "held", wall);
    journal.append(Change::default().answering(answered(9_999_999, WallTime(wall.0 - 25 * 3_600_000))));
    for number in 0..ANSWERED_MAX + 100 {
        journal.append(Change::default().answering(answered(number, wall)));
    }
    // Twice the same event is one.
    journal.append(Change::default().answering(answered(ANSWERED_MAX, wall)));
    let _ = journal.append_durably(decision(1)).settled_blocking();
    let mut reader = Reader::open(&file).unwrap();
    until("the surplus has gone", || reader.restored(at(0)).answered.len() == ANSWERED_MAX);
    let kept = reader.restored(at(0)).answered;
    assert_eq!(kept.last().unwrap().event, ANSWERED_MAX.to_string());
    assert!(!kept.iter().any(|answered| answered.event == "0" || answered.event == "9999999"));
    assert!(journal.close(AGES));
}
