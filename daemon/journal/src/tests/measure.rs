//! How fast and how much. Run by hand, on the disk in question:
//! `TMPDIR=/some/disk cargo nextest run -p idlegate-journal --run-ignored only --no-capture tests::measure`

use super::*;
use idlegate_plan::answered::{NewestIds, OF_EACH_INPUT_MAX};
use idlegate_plan::event::EVENT_ID_BYTES_MAX;

/// Bytes this process has sent towards disks.
fn written_bytes() -> u64 {
    let io = std::fs::read_to_string("/proc/self/io").unwrap_or_default();
    let line = io.lines().find_map(|line| line.strip_prefix("write_bytes: "));
    line.and_then(|number| number.trim().parse().ok()).unwrap_or(0)
}

/// A decision of the size that the service records: three assessments with their readings.
fn full_decision(number: u64) -> Record {
    let assessment = json!({
        "detector": "power-threshold", "verdict": "busy", "reason": "118 W, busy above 40 W",
        "evidence": [{ "signal": "power", "value": 118.4, "age_ms": 812 }],
    });
    let body = json!({
        "input": "door-button", "gesture": "press", "request": "off", "decision": "held", "reason": "machine-busy",
        "assessments": [assessment, assessment, assessment], "window_ms": 10_000, "rules": "9f2c41d07be3",
    });
    Record::new(RecordKind::Decision, at(number), body).of(name("mill"))
}

#[test]
#[ignore = "a measurement"]
fn appends_a_second_and_bytes_a_decision() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let backend = FileBackend::new(file.clone(), limits());
    let (journal, _) = Journal::start(Box::new(backend), Pace::default(), nobody_listens());
    for (what, count, durably) in [("one by one, each confirmed", 2_000, true), ("grouped", 60_000, false)] {
        let (before, stored, since) = (written_bytes(), journal.counts().stored, Clock.now().moment);
        for number in 0..count {
            if durably {
                let ticket = journal.append_durably(full_decision(number));
                assert_eq!(ticket.settled_blocking(), Storing::Stored);
            } else {
                journal.append(full_decision(number));
                // Below the queue's bound, as a workshop is.
                while number - (journal.counts().stored - stored).min(number) > 3_000 {
                    std::thread::yield_now();
                }
            }
        }
        assert_eq!(journal.append_durably(full_decision(count)).settled_blocking(), Storing::Stored);
        let millis = Clock.now().moment.since(since).0.max(1);
        let bytes = (written_bytes() - before) / count;
        println!("{what}: {} appends/s, {bytes} bytes written for each", count * 1000 / millis);
    }
    let body = full_decision(0).body.to_string().len();
    assert!(journal.close(AGES));
    let size = std::fs::metadata(&file).unwrap().len();
    println!("a decision with {body} bytes of JSON takes {} bytes in the file", size / 62_000);

    let mut slowest = std::time::Duration::ZERO;
    let (journal, _) = start(&file);
    for number in 0..10_000 {
        let change = Change::from(full_decision(number));
        let since = std::time::Instant::now();
        journal.append(change);
        slowest = slowest.max(since.elapsed());
    }
    println!("the slowest of 10,000 appends took {slowest:?} of the caller's time");
    assert!(journal.close(AGES));
}

fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|size| size.trim().trim_end_matches(" kB").parse().ok()).unwrap_or(0)
}

#[test]
#[ignore = "a measurement"]
fn what_it_costs_to_remember_short_ids() {
    remember_the_ids_of_twenty_inputs(10);
}

#[test]
#[ignore = "a measurement"]
fn what_it_costs_to_remember_long_ids() {
    remember_the_ids_of_twenty_inputs(EVENT_ID_BYTES_MAX);
}

fn remember_the_ids_of_twenty_inputs(length: usize) {
    const INPUTS: usize = 20;
    let wall = Clock.now().wall;
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let (journal, _) = start(&file);
    for number in 0..OF_EACH_INPUT_MAX {
        let id: Arc<str> = format!("{number:0>length$}").into();
        let answered = |input| Answered::new(name(&format!("button-{input}")), &id, "held", wall);
        let change = Change { answered: (0..INPUTS).map(answered).collect(), ..Change::default() };
        journal.append(change);
        if number % 100 == 0 {
            assert_eq!(journal.append_durably(decision(1)).settled_blocking(), Storing::Stored);
        }
    }
    assert!(journal.close(AGES));
    drop(journal);
    let (before, since) = (resident_kib(), Clock.now().moment);
    let (journal, restored) = start(&file);
    assert_eq!(restored.answered.len(), INPUTS * OF_EACH_INPUT_MAX);
    let read = Clock.now().moment.since(since);
    // As the engine does.
    let mut known: NewestIds<Moment> = NewestIds::default();
    let ids = restored.answered.into_iter().map(|answered| (answered.input, answered.event, Moment(0)));
    known.prepend(ids);
    let all = Clock.now().moment.since(since);
    let each = (resident_kib() - before) / INPUTS as u64;
    let size = std::fs::metadata(&file).unwrap().len() / INPUTS as u64;
    println!(
        "ids of {length} bytes: {each} KiB of memory and {} KiB on disk for an input that is full",
        size / 1024
    );
    println!("{INPUTS} of them are read in {read}, and known in {all}");
    assert!(journal.close(AGES));
    drop(known);
}
