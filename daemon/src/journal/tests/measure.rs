//! How fast and how much. Run by hand, on the disk in question:
//! `TMPDIR=/some/disk cargo nextest run -p idlegate --run-ignored only --no-capture journal::tests::measure`

use super::*;

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
    Record::new(Kind::Decision, at(number), body).of(name("mill"))
}

#[test]
#[ignore = "a measurement"]
fn appends_a_second_and_bytes_a_decision() {
    let folder = tempfile::tempdir().unwrap();
    let file = journal_file(folder.path());
    let shelf = FileShelf::new(file.clone(), limits());
    let (journal, _) = Journal::start(Box::new(shelf), Pace::default(), nobody_listens());
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
