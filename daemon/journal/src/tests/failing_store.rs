//! The journal's thread against a store that fails on demand: nothing blocks, nothing is lost in silence.

use super::*;
use crate::memory::MemoryBackend;

fn started(backend: &MemoryBackend) -> (Journal, Heard) {
    let heard = Heard::default();
    let (journal, _) = Journal::start(Box::new(backend.clone()), quick(), heard.listener());
    (journal, heard)
}

fn kinds(backend: &MemoryBackend) -> Vec<&'static str> {
    backend.contents().rows.iter().map(|row| row.kind.word()).collect()
}

fn full() -> StoreError {
    StoreError::Full("test".into())
}

#[test]
fn a_failing_disk_is_told_once_and_every_record_comes_later_after_a_gap_record() {
    for error in [
        full(),
        StoreError::ReadOnly("test".into()),
        StoreError::Locked("test".into()),
        StoreError::Io("test".into()),
    ] {
        let backend = MemoryBackend::default();
        let (journal, heard) = started(&backend);
        backend.contents().failing = Some(error.clone());
        for number in 0..5 {
            journal.append(decision(number));
        }
        let storing = journal.append_durably(lockout_change(5)).settled_blocking();
        assert_eq!(storing, Storing::NotStored(error.to_string()));
        assert_eq!(journal.health(), JournalHealth::Degraded { why: error.to_string() });
        until("it tries again", || backend.contents().tries > 4);
        backend.contents().failing = None;
        until("it works again", || journal.health() == JournalHealth::Ok);
        assert!(journal.close(AGES));

        let kinds = kinds(&backend);
        assert_eq!(kinds.iter().filter(|kind| **kind == "decision").count(), 5);
        assert_eq!(kinds.iter().filter(|kind| **kind == "lockout").count(), 1);
        assert_eq!(kinds.iter().filter(|kind| **kind == "gap").count(), 1, "{kinds:?}");
        assert_eq!(backend.contents().kept[&name("mill")], locked("panel"));
        let degraded = News::Health(JournalHealth::Degraded { why: error.to_string() });
        assert_eq!(heard.news(), [degraded, News::Health(JournalHealth::Ok)]);
    }
}

#[test]
fn the_first_failing_try_of_any_number_loses_and_doubles_nothing() {
    for failing in 1..30 {
        for error in [full(), StoreError::Io("test".into()), StoreError::Damaged("test".into())] {
            let backend = MemoryBackend::default();
            let (journal, _) = started(&backend);
            backend.contents().failing_try = Some((failing, error));
            for number in 0..30 {
                // One transaction each, so that every try is met.
                let _ = journal.append_durably(decision(number)).settled_blocking();
            }
            assert!(journal.close(AGES));
            let contents = backend.contents();
            let decisions = contents.rows.iter().filter(|row| row.kind == RecordKind::Decision);
            let moments: Vec<u64> = decisions.map(|row| row.at.moment.0).collect();
            assert_eq!(moments, (0..30).collect::<Vec<_>>(), "try {failing} failed");
        }
    }
}

#[test]
fn more_than_memory_holds_is_counted_and_the_last_word_on_a_lockout_stays() {
    let backend = MemoryBackend::default();
    let (journal, _) = started(&backend);
    backend.contents().failing = Some(full());
    journal.append(Change::from(decision(0)).keeping(name("kiln"), locked("old-panel")));
    journal.append(Change::from(decision(1)).keeping(name("kiln"), locked("new-panel")));
    for number in 2..20_000 {
        journal.append(decision(number));
    }
    until("it has tried", || backend.contents().tries > 0);
    backend.contents().failing = None;
    until("it works again", || journal.health() == JournalHealth::Ok);
    assert!(journal.close(AGES));

    assert_eq!(backend.contents().kept[&name("kiln")], locked("new-panel"));
    let contents = backend.contents();
    let lost: u64 = contents
        .rows
        .iter()
        .filter(|row| row.kind == RecordKind::Gap)
        .map(|row| serde_json::from_str::<serde_json::Value>(&row.body).unwrap()["lost"].as_u64().unwrap())
        .sum();
    let decisions: Vec<u64> = contents
        .rows
        .iter()
        .filter(|row| row.kind == RecordKind::Decision)
        .map(|row| row.at.moment.0)
        .collect();
    assert_eq!(lost + decisions.len() as u64, 20_000, "every record is stored or counted");
    assert_eq!(decisions.last(), Some(&19_999), "the newest are what people look for");
    assert!(decisions.is_sorted());
    assert_eq!(journal.counts().lost, lost);
}

#[test]
fn a_record_that_is_never_accepted_does_not_stand_in_the_way_of_others() {
    #[derive(Debug)]
    struct Picky(MemoryBackend);
    impl Store for Picky {
        fn store(&mut self, batch: &[&Entry]) -> Result<(), StoreError> {
            let refuses = |row: &Row| row.body.contains("poison");
            if batch.iter().any(|entry| entry.rows.iter().any(refuses)) {
                return Err(StoreError::Refused("poison".into()));
            }
            self.0.store(batch)
        }
        fn tend(&mut self, now: Now) -> Result<bool, StoreError> {
            self.0.tend(now)
        }
    }
    impl Backend for Picky {
        fn open(&mut self, _: Now, _: Option<&str>) -> Result<Opened, OpenFailed> {
            let store = Box::new(Picky(self.0.clone()));
            Ok(Opened { store, restored: Restored::default(), set_aside: None })
        }
    }
    let backend = MemoryBackend::default();
    let (journal, _) = Journal::start(Box::new(Picky(backend.clone())), quick(), nobody_listens());
    for number in 0..10 {
        journal.append(decision(number));
    }
    journal.append(Record::new(RecordKind::Link, at(10), json!({ "text": "poison" })));
    for number in 11..20 {
        journal.append(decision(number));
    }
    assert!(journal.close(AGES));
    let kinds = kinds(&backend);
    assert_eq!(kinds.iter().filter(|kind| **kind == "decision").count(), 19);
    assert_eq!(kinds.iter().filter(|kind| **kind == "gap").count(), 1, "{kinds:?}");
    assert_eq!(journal.counts().lost, 1);
}

/// A disk on which every call takes until somebody lets it go.
#[derive(Clone, Debug, Default)]
struct Stuck {
    backend: MemoryBackend,
    gate: Arc<(Mutex<bool>, std::sync::Condvar)>,
}

impl Stuck {
    fn pass(&self) {
        let mut open = self.gate.0.lock().unwrap();
        while !*open {
            open = self.gate.1.wait(open).unwrap();
        }
    }

    fn let_go(&self) {
        *self.gate.0.lock().unwrap() = true;
        self.gate.1.notify_all();
    }
}

impl Backend for Stuck {
    fn open(&mut self, now: Now, damaged: Option<&str>) -> Result<Opened, OpenFailed> {
        self.pass();
        let opened = self.backend.open(now, damaged)?;
        Ok(Opened { store: Box::new(self.clone()), ..opened })
    }
}

impl Store for Stuck {
    fn store(&mut self, batch: &[&Entry]) -> Result<(), StoreError> {
        self.pass();
        self.backend.store(batch)
    }

    fn tend(&mut self, now: Now) -> Result<bool, StoreError> {
        self.backend.tend(now)
    }
}

#[tokio::test]
async fn a_disk_that_hangs_in_use_holds_up_nobody_and_what_was_dropped_meanwhile_is_counted() {
    let stuck = Stuck::default();
    stuck.let_go();
    let pace = Pace { patience: Span(20), ..quick() };
    let (journal, _) = Journal::start(Box::new(stuck.clone()), pace, nobody_listens());
    *stuck.gate.0.lock().unwrap() = false;
    let storing = journal.append_durably(lockout_change(1)).settled().await;
    assert_eq!(storing, Storing::NotStored("the disk has not answered yet".into()));
    for number in 0..20_000 {
        journal.append(decision(number));
    }
    assert!(!journal.close(Span(20)), "the end of the program does not wait for ever either");
    stuck.let_go();
    until("all is stored", || journal.counts().lost > 0);
    let decisions =
        || stuck.backend.contents().rows.iter().filter(|row| row.kind == RecordKind::Decision).count() as u64;
    until("all is accounted for", || journal.counts().lost + decisions() == 20_000);
    assert_eq!(stuck.backend.contents().kept[&name("mill")], locked("panel"));
}

#[tokio::test]
async fn what_had_to_be_dropped_loses_no_id_and_their_order_stays() {
    let stuck = Stuck::default();
    stuck.let_go();
    let pace = Pace { patience: Span(20), ..quick() };
    let (journal, _) = Journal::start(Box::new(stuck.clone()), pace, nobody_listens());
    *stuck.gate.0.lock().unwrap() = false;
    let input = |number: usize| if number.is_multiple_of(2) { "button" } else { "panel" };
    let answering = |number: usize| {
        let answered = Answered::new(name(input(number)), &number.to_string().into(), "held", at(0).wall);
        Change::from(decision(0)).answering(answered)
    };
    // The first waits behind the queue, in which then are more than it holds.
    let _ = journal.append_durably(answering(0)).settled().await;
    (1..6_000).for_each(|number| journal.append(answering(number)));
    stuck.backend.contents().failing = Some(full());
    stuck.let_go();
    until("it has taken them", || stuck.backend.contents().tries > 2);
    stuck.backend.contents().failing = None;
    assert!(journal.close(AGES));
    assert!(journal.counts().lost > 1_000, "{:?}", journal.counts());
    let contents = stuck.backend.contents();
    for of in ["button", "panel"] {
        let answered = contents.answered.iter().filter(|answered| answered.input.as_str() == of);
        let stored: Vec<usize> = answered.map(|answered| answered.event.parse().unwrap()).collect();
        let expected = (0..6_000).filter(|number| input(*number) == of);
        assert_eq!(stored, expected.collect::<Vec<_>>(), "{of}");
    }
}

#[tokio::test]
async fn a_disk_that_hangs_holds_up_neither_the_start_nor_an_answer() {
    let stuck = Stuck::default();
    stuck.backend.contents().kept.insert(name("laser"), locked("panel"));
    stuck.backend.contents().kept.insert(name("mill"), locked("panel"));
    let pace = Pace { start_patience: Span(20), patience: Span(20), ..quick() };
    let heard = Heard::default();
    let (journal, restored) = Journal::start(Box::new(stuck.clone()), pace, heard.listener());
    assert!(restored.doubt.is_some(), "people are told that lockouts may be missing");
    assert!(heard.degraded());
    let deferral = KeptUntil::of(name("schedule"), Moment(9_000), at(1));
    let deferred = KeptState { deferral: Some(deferral.clone()), ..KeptState::default() };
    let change = Change::from(decision(1)).keeping(name("mill"), deferred);
    let storing = journal.append_durably(change).settled().await;
    assert!(matches!(storing, Storing::NotStored(_)));
    stuck.let_go();
    until("it works again", || journal.health() == JournalHealth::Ok);
    assert!(journal.close(AGES));

    let late = heard.news().into_iter().find_map(|news| match news {
        News::RestoredLate(restored) => Some(restored),
        News::Health(_) | News::SetAside(_) => None,
    });
    let late = late.expect("what was kept is told when it becomes known");
    assert_eq!(late.kept[&name("laser")], locked("panel"));
    // Nobody released the old lockout, and the new deferral stands beside it.
    let both = KeptState { deferral: Some(deferral), ..locked("panel") };
    assert_eq!(stuck.backend.contents().kept[&name("mill")], both);
}

#[test]
fn whoever_waits_for_a_journal_that_has_ended_is_told() {
    let (journal, _) = started(&MemoryBackend::default());
    assert!(journal.close(AGES));
    assert!(journal.close(AGES), "closing twice is no fault");
    let storing = journal.append_durably(lockout_change(1)).settled_blocking();
    assert_eq!(storing, Storing::NotStored("the journal has stopped".into()));
    assert_eq!(journal.counts().lost, 1);
}

#[test]
fn a_panic_in_the_store_ends_the_journal_but_nobody_waits_for_ever() {
    #[derive(Debug)]
    struct Broken;
    impl Store for Broken {
        fn store(&mut self, _: &[&Entry]) -> Result<(), StoreError> {
            panic!("planted by the test");
        }
        fn tend(&mut self, _: Now) -> Result<bool, StoreError> {
            Ok(false)
        }
    }
    impl Backend for Broken {
        fn open(&mut self, _: Now, _: Option<&str>) -> Result<Opened, OpenFailed> {
            Ok(Opened { store: Box::new(Broken), restored: Restored::default(), set_aside: None })
        }
    }
    let heard = Heard::default();
    let (journal, _) = Journal::start(Box::new(Broken), quick(), heard.listener());
    let storing = journal.append_durably(lockout_change(1)).settled_blocking();
    assert_eq!(storing, Storing::NotStored("the journal has stopped".into()));
    until("health is told", || heard.degraded());
    assert!(!journal.close(AGES));
}

#[tokio::test]
async fn housekeeping_never_lets_an_entry_lie_that_came_in_between() {
    let backend = MemoryBackend::default();
    // Housekeeping without a pause, so that entries come in between all the time.
    let pace = Pace { tend: Span::ZERO, patience: AGES, ..quick() };
    let (journal, _) = Journal::start(Box::new(backend), pace, nobody_listens());
    for number in 0..5_000 {
        assert_eq!(journal.append_durably(decision(number)).settled().await, Storing::Stored, "{number}");
    }
    assert!(journal.close(AGES));
}
