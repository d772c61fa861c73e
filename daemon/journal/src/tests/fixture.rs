//! Files that earlier versions wrote must stay readable. One is kept for every version, in `fixtures/`.
//!
//! A new version: add its step to `schema/`, raise the version, run
//! `cargo test -p idlegate-journal --lib -- --ignored write_the_file_of_this_version`, keep the old files.

use super::*;
use idlegate_plan::kept::KeptJob;
use serde_json::Value;

const FILES: [(i64, &[u8]); 4] = [
    (1, include_bytes!("../fixtures/v1.sqlite")),
    (2, include_bytes!("../fixtures/v2.sqlite")),
    (3, include_bytes!("../fixtures/v3.sqlite")),
    (4, include_bytes!("../fixtures/v4.sqlite")),
];

#[test]
#[ignore = "writes the file that is kept for this version"]
fn write_the_file_of_this_version() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _) = start(&file);
    let deferral = KeptUntil::of(name("schedule"), Moment(3_600_000), at(0));
    for number in 0..3 {
        journal.append(decision(number));
    }
    journal.append(lockout_change(3));
    journal.append(
        Change::from(Record::new(RecordKind::Stop, at(4), json!({})))
            .recording(Record::new(RecordKind::Job, at(4), a_job()).of(name("mill")))
            .keeping(
                name("kiln"),
                KeptState { deferral: Some(deferral), job: Some(under_way()), ..KeptState::default() },
            )
            .answering(Answered::new(name("door-button"), &"event-17".into(), "held", at(1).wall)),
    );
    assert!(journal.close(AGES));
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/fixtures");
    std::fs::copy(file, kept.join(format!("v{SCHEMA_VERSION}.sqlite"))).unwrap();
}

fn a_job() -> Value {
    json!({ "began": "2026-11-25T02:00:00.000Z", "ended": "2026-11-25T02:20:00.000Z", "lasted_s": 1200.0,
        "how": "forced", "by": "door-button", "joules": 36_000.0 })
}

fn under_way() -> KeptJob {
    KeptJob { begun_ms: at(1).wall.0, millijoules: Some(7_250), ..KeptJob::default() }
}

#[test]
fn every_version_has_a_file() {
    let versions: Vec<i64> = FILES.iter().map(|(version, _)| *version).collect();
    assert_eq!(versions, (1..=SCHEMA_VERSION).collect::<Vec<_>>());
}

#[test]
fn the_file_of_every_earlier_version_is_taken_over_with_all_that_is_in_it() {
    for (version, bytes) in FILES {
        let folder = tempfile::tempdir().unwrap();
        let file = journal_file(folder.path());
        std::fs::write(&file, bytes).unwrap();
        let heard = Heard::default();
        let backend = FileBackend::new(file.clone(), limits());
        let (journal, restored) = Journal::start(Box::new(backend), quick(), heard.listener());
        assert_eq!(restored.doubt, None, "version {version}");
        assert_eq!(restored.kept[&name("mill")], locked("panel"), "version {version}");
        assert_eq!(restored.kept[&name("kiln")].deferral.as_ref().unwrap().by, name("schedule"));
        assert_eq!(&*restored.answered[0].event, "event-17", "version {version}");
        let job = (version >= 4).then(under_way);
        assert_eq!(restored.kept[&name("kiln")].job, job, "version {version}");
        assert_eq!(journal.append_durably(decision(5)).settled_blocking(), Storing::Stored);
        assert!(journal.close(AGES));
        assert_eq!(heard.news(), [], "version {version}");
        let mut expected = vec!["decision", "decision", "decision", "lockout", "stop"];
        expected.extend((version >= 4).then_some("job"));
        expected.push("decision");
        assert_eq!(words(&all(&file)), expected, "version {version}");
        assert_sound(&file);
        // The view of jobs is there, whoever wrote the file.
        let connection = rusqlite::Connection::open(&file).unwrap();
        let jobs: i64 = connection.query_row("SELECT count(*) FROM jobs", [], |row| row.get(0)).unwrap();
        assert_eq!(jobs, i64::from(version >= 4), "version {version}");
    }
}
