//! What is put in comes out.

use proptest::prelude::*;
use serde_json::Value;

use super::*;
use crate::record::BODY_BYTES_MAX;

#[test]
fn records_come_back_in_order_by_machine_time_and_kind() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, restored) = start(&file);
    assert!(restored.is_empty(), "{restored:?}");
    for number in 0..1200 {
        journal.append(decision(number));
    }
    journal.append(Record::new(RecordKind::Link, at(1200), json!({ "state": "down" })));
    assert_eq!(journal.append_durably(lockout_change(1201)).settled_blocking(), Storing::Stored);
    let reader = JournalReader::open(&file).unwrap();
    let found = all(&file);
    assert_eq!(found.len(), 1202);
    assert!(found.iter().zip(1..).all(|(found, seq)| found.seq == seq && found.intact));
    assert_eq!(found[7].body()["number"], 7);
    let links = Query { kinds: vec![RecordKind::Link], ..Query::default() };
    assert_eq!(words(&reader.last(5, &links).unwrap()), ["link"]);
    let mill = Query { machine: Some(name("mill")), ..Query::default() };
    let last: Vec<i64> = reader.last(2, &mill).unwrap().iter().map(|found| found.seq).collect();
    assert_eq!(last, [1200, 1202]);
    let some = Query { from: Some(at(10).wall), to: Some(at(13).wall), ..Query::default() };
    let some: Vec<_> = reader.records(&some).map(|found| found.unwrap().seq).collect();
    assert_eq!(some, [11, 12, 13]);
    assert!(journal.close(AGES));
    assert_sound(&file);
}

#[test]
fn lockouts_deferrals_and_answered_events_survive_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let now = Clock.now();
    let deferral = KeptUntil::of(name("schedule"), now.moment + Span::secs(3600), now);
    let deferred = KeptState { deferral: Some(deferral.clone()), ..KeptState::default() };
    let answered = Answered::new(name("door-button"), &"event-17".into(), "held", now.wall);
    let (journal, _) = start(&file);
    journal.append(Change::default().keeping(name("kiln"), deferred).answering(answered.clone()));
    journal.append(Change::default().keeping(name("laser"), locked("panel")));
    assert_eq!(journal.append_durably(lockout_change(1)).settled_blocking(), Storing::Stored);
    journal.append(Change::default().keeping(name("laser"), KeptState::default()));
    assert!(journal.close(AGES));

    let (journal, restored) = start(&file);
    assert_eq!(restored.kept.keys().map(Name::as_str).collect::<Vec<_>>(), ["kiln", "mill"]);
    assert_eq!(restored.kept[&name("mill")], locked("panel"));
    let kept = restored.kept[&name("kiln")].deferral.as_ref().unwrap();
    assert_eq!((&kept.by, kept.expires), (&deferral.by, deferral.expires));
    assert!(kept.remaining <= deferral.remaining);
    assert_eq!(restored.answered, [answered]);
    assert!(journal.close(AGES));
}

#[test]
fn a_body_too_long_or_too_deep_is_cut_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _) = start(&file);
    let mut deep = json!(1);
    for _ in 0..200 {
        deep = json!([deep]);
    }
    journal.append(Record::new(RecordKind::Link, at(1), json!({ "text": "é".repeat(BODY_BYTES_MAX) })));
    journal.append(Record::new(RecordKind::Link, at(2), json!({ "deep": deep })));
    assert!(journal.close(AGES));
    let found = all(&file);
    assert_eq!(found[0].body()["cut"], true);
    assert!(found[0].body()["bytes"].as_u64() > Some(BODY_BYTES_MAX as u64));
    assert_eq!(found[1].body()["cut"], true);
}

fn any_body() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any::<f32>().prop_filter("JSON has no infinity", |number| number.is_finite()).prop_map(Value::from),
        ".{0,40}".prop_map(Value::from),
    ];
    let tree = leaf.prop_recursive(6, 40, 6, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
            prop::collection::hash_map(".{0,12}", inner, 0..6)
                .prop_map(|members| members.into_iter().collect()),
        ]
    });
    prop::collection::hash_map("[a-z_]{1,12}", tree, 0..6).prop_map(|members| members.into_iter().collect())
}

fn any_record() -> impl Strategy<Value = Record> {
    let now = (0..=u64::MAX / 2, any::<i64>());
    let machine = prop::option::of("[a-z0-9-]{1,32}");
    (0..RecordKind::ALL.len(), now, machine, any_body()).prop_map(|(kind, (moment, wall), machine, body)| {
        Record {
            kind: RecordKind::ALL[kind],
            machine: machine.map(|text| name(&text)),
            at: Now { moment: Moment(moment), wall: WallTime(wall) },
            body,
            durability: Durability::Group,
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn any_record_comes_back_as_it_was(records in prop::collection::vec(any_record(), 1..20)) {
        let folder = tempfile::tempdir().unwrap();
        let file = journal_file(folder.path());
        let (journal, _) = start(&file);
        for record in &records {
            journal.append(record.clone());
        }
        prop_assert!(journal.close(AGES));
        let found = all(&file);
        prop_assert_eq!(found.len(), records.len());
        for (found, record) in found.iter().zip(&records) {
            prop_assert!(found.intact);
            prop_assert_eq!(found.kind(), Some(record.kind));
            prop_assert_eq!(found.machine.as_deref(), record.machine.as_ref().map(Name::as_str));
            prop_assert_eq!(found.at, record.at);
            prop_assert_eq!(found.body(), record.body.clone());
        }
    }
}
