//! The journal stays within its size and age, whatever happens.

use super::names::{self, Blanked};
use super::*;
use idlegate_plan::answered::OF_EACH_INPUT_MAX;

fn filled(file: &Path, limits: Limits, count: u64, from: u64) {
    let (journal, _) =
        Journal::start(Box::new(FileBackend::new(file.to_owned(), limits)), quick(), nobody_listens());
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
    assert!(found.iter().all(|found| found.kind() == Some(RecordKind::Decision)), "no trouble was met");
}

#[test]
fn old_records_go_with_age_but_a_clock_far_ahead_does_not_empty_the_journal() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    // All records are older than a millisecond.
    let limits = Limits { age_max: Span(1), ..limits() };
    filled(&file, limits, 12_000, 0);
    let (journal, _) =
        Journal::start(Box::new(FileBackend::new(file.clone(), limits)), quick(), nobody_listens());
    let reader = JournalReader::open(&file).unwrap();
    let first = || reader.records(&Query::default()).next().unwrap().unwrap().seq;
    let last = || reader.last(1, &Query::default()).unwrap()[0].seq;
    until("the oldest have gone", || first() == last() - 10_000);
    assert!(journal.close(AGES));
    assert_sound(&file);
}

/// Two years ahead, for the few minutes until somebody notices.
#[test]
fn a_clock_far_ahead_deletes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let limits = Limits { clock_even_for: Span::secs(24 * 3_600), ..limits() };
    let now = Clock.now();
    filled(&file, Limits { age_max: AGELONG, ..limits }, 12_000, 0);
    {
        let (journal, _) = start(&file);
        journal.append(answered("panel", 1, now.wall));
        journal.append(asked(20_000, 5, Some("Mara")));
        assert!(journal.close(AGES));
    }
    let before = all(&file);
    let mut store = FileBackend::new(file.clone(), limits).open(now, None).unwrap().store;
    let at = |minute: u64, ahead_ms: i64| {
        let wall = now.wall.0 + ahead_ms + i64::try_from(minute * 60_000).unwrap();
        Now { moment: now.moment + Span(minute * 60_000), wall: WallTime(wall) }
    };
    let two_years = 730 * DAY_MS;
    (1..=5).for_each(|minute| while store.tend(at(minute, 0)).unwrap() {});
    (6..=30).for_each(|minute| while store.tend(at(minute, two_years)).unwrap() {});
    (31..=60).for_each(|minute| while store.tend(at(minute, 0)).unwrap() {});
    assert_eq!(all(&file), before);
    let restored = JournalReader::open(&file).unwrap().restored(now);
    assert_eq!(events(&restored, "panel"), [1]);
    // A clock that has run evenly for a day is believed.
    (61..=1_520).for_each(|minute| while store.tend(at(minute, two_years)).unwrap() {});
    assert_eq!(all(&file).len(), 10_001);
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
    let mut reader = JournalReader::open(&file).unwrap();
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
    let kept = JournalReader::open(&file).unwrap().restored(at(0));
    for input in inputs {
        assert_eq!(events(&kept, input), (0..OF_EACH_INPUT_MAX).collect::<Vec<_>>(), "{input}");
    }
}

const DAY_MS: i64 = 86_400_000;
const A_MONTH: Span = Span::secs(30 * 86_400);
const AGELONG: Span = Span::secs(100 * 365 * 86_400);

/// As the service writes it, so many days ago.
fn asked(number: u64, days_ago: i64, who: Option<&str>) -> Record {
    let body = json!({
        "decision": "held", "input": "phone", "number": number, "value": 0.1 + 0.2,
        "sentence": "It is \"who\":\"cares\"", "who": who,
    });
    let wall = WallTime(Clock.now().wall.0 - days_ago * DAY_MS);
    Record::new(RecordKind::Decision, Now { moment: Moment(number), wall }, body).of(name("mill"))
}

fn keeping_names(file: &Path, names_age_max: Span) -> Journal {
    let backend = FileBackend::new(file.to_owned(), Limits { names_age_max, ..limits() });
    Journal::start(Box::new(backend), quick(), nobody_listens()).0
}

/// A file with people in it, and nobody at work on it.
fn with_people(file: &Path) -> Vec<Found> {
    let journal = keeping_names(file, AGELONG);
    for number in 0..1_200 {
        journal.append(asked(number, 40, Some("Mara")));
    }
    for (number, days_ago, who) in
        [(1_200, 31, Some("Ben \"the saw\" \\")), (1_201, 31, None), (1_202, 29, Some("Ida"))]
    {
        assert_eq!(journal.append_durably(asked(number, days_ago, who)).settled_blocking(), Storing::Stored);
    }
    assert!(journal.close(AGES));
    all(file)
}

fn stands_in(file: &Path, name: &str) -> bool {
    std::fs::read(file).unwrap().windows(name.len()).any(|window| window == name.as_bytes())
}

#[test]
fn names_go_after_their_time_and_everything_else_stays_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let before = with_people(&file);
    assert_eq!(before.iter().filter(|found| found.body()["who"] == "Mara").count(), 1_200);
    assert!(stands_in(&file, "Mara"));
    let journal = keeping_names(&file, A_MONTH);
    until("the old names have gone", || {
        all(&file).iter().filter(|found| found.body()["who"].is_string()).count() == 1
    });
    assert!(journal.close(AGES));
    let expected: Vec<Found> = before
        .into_iter()
        .map(|found| {
            let body = found.body.replace(r#""who":"Mara""#, r#""who":null"#);
            Found { body: body.replace(r#""who":"Ben \"the saw\" \\""#, r#""who":null"#), ..found }
        })
        .collect();
    assert_eq!(all(&file), expected);
    assert_sound(&file);
    assert!(expected.iter().all(|found| found.intact));
    assert!(
        !stands_in(&file, "Mara") && !stands_in(&file, "the saw"),
        "nor is a trace of them left in the pages"
    );
    assert!(stands_in(&file, "Ida"));
    // And they stay gone.
    assert!(keeping_names(&file, AGELONG).close(AGES));
    assert_eq!(all(&file), expected);
    assert_sound(&file);
}

#[test]
fn a_damaged_record_keeps_its_name_and_stays_damaged() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let count = with_people(&file).len();
    let mut connection = rusqlite::Connection::open(&file).unwrap();
    connection.execute("UPDATE record SET machine = 'kiln' WHERE seq = 3", []).unwrap();
    let transaction = connection.transaction().unwrap();
    let mut blanked = Blanked::NOTHING;
    let mut rounds = 1;
    while names::blank(&transaction, &mut blanked, A_MONTH, Clock.now().wall).unwrap() {
        rounds += 1;
    }
    assert_eq!(rounds, count.div_ceil(500), "never much in one go");
    transaction.commit().unwrap();
    let left: Vec<(i64, bool)> = all(&file)
        .iter()
        .filter(|found| found.body()["who"].is_string())
        .map(|found| (found.seq, found.intact))
        .collect();
    assert_eq!(left, [(3, false), (i64::try_from(count).unwrap(), true)]);
}

#[test]
fn a_clock_that_was_set_back_leaves_no_name_out() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    with_people(&file);
    let mut blanked = Blanked::NOTHING;
    let mut blank_at = |wall: WallTime| {
        let mut connection = rusqlite::Connection::open(&file).unwrap();
        let transaction = connection.transaction().unwrap();
        while names::blank(&transaction, &mut blanked, A_MONTH, wall).unwrap() {}
        transaction.commit().unwrap();
    };
    let now = Clock.now().wall;
    let named = || all(&file).iter().filter(|found| found.body()["who"].is_string()).count();
    blank_at(now);
    assert_eq!(named(), 1);
    let back = WallTime(now.0 - 60 * DAY_MS);
    blank_at(back);
    let journal = keeping_names(&file, AGELONG);
    let late = asked(2_000, 60, Some("Jo"));
    assert_eq!(journal.append_durably(late).settled_blocking(), Storing::Stored);
    assert!(journal.close(AGES));
    assert_eq!(named(), 2);
    blank_at(now);
    assert_eq!(named(), 1, "only what is not old enough");
}
