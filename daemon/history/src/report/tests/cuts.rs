//! The first line of a report: jobs that were cut, and who did it.

use super::*;

/// A job from ten o'clock on, cut at a quarter past.
fn cut_by(records: Vec<Record>) -> Ledger {
    let mut all = vec![
        record(-5, RecordKind::Start, json!({})),
        record(-5, RecordKind::Outlet, json!({ "state": "on" })),
        record(0, RecordKind::State, json!({ "state": "busy", "reasons": [] })),
    ];
    all.extend(records);
    all.push(record(15, RecordKind::Outlet, json!({ "state": "off" })));
    all.push(record(110, RecordKind::Stop, json!({})));
    ledger_of(all, Some(tariff()))
}

fn order(cause: &str) -> Record {
    record(15, RecordKind::Order, json!({ "switch": "off", "cause": cause, "resend": 0, "not_sent": null }))
}

fn told(ledger: &Ledger) -> String {
    words(ledger, &TimeZone::UTC).lines().take(2).collect::<Vec<_>>().join("\n")
}

#[test]
fn the_report_begins_with_the_jobs_that_were_cut() {
    let ledger = ledger_of(morning(), None);
    assert!(words(&ledger, &TimeZone::UTC).starts_with("Jobs cut: 0\n"));
    let page = html(&ledger, "Shop", &TimeZone::UTC);
    assert!(page.find("Jobs cut: 0").unwrap() < page.find("<table").unwrap());
    assert_eq!(json(&ledger, &TimeZone::UTC)["jobs_cut"], 0);
}

#[test]
fn a_cut_job_is_told_with_who_when_and_how() {
    let asked = |request: &str, reason: &str, input: &str, who: Option<&str>| {
        let body = json!({
            "decision": "acted", "input": input, "reason": reason, "request": request, "who": who
        });
        record(15, RecordKind::Decision, body)
    };
    let forced = vec![order("forced"), asked("force-off", "forced-in-window", "bench-button", Some("Ida"))];
    let emergency = vec![order("emergency"), asked("emergency-off", "emergency", "red-button", None)];
    let idle = vec![order("plain"), asked("off", "machine-idle", "panel", None)];
    let shadow = record(
        15,
        RecordKind::Order,
        json!({
            "switch": "off", "cause": "forced", "resend": 0, "shadow": true, "not_sent": "shadow mode: not sent"
        }),
    );
    for (records, how) in [
        (forced, "forced off by bench-button (in the name of Ida)"),
        (emergency, "emergency-off by red-button"),
        (idle, "switched off when it counted as idle, asked for by panel"),
        (vec![], "switched off, but not through Idlegate"),
        (vec![shadow], "switched off, but not through Idlegate"),
    ] {
        let ledger = cut_by(records);
        let expected = format!("Jobs cut: 1\n  Mon 2026-01-05 10:15  printer, 15 min into its job: {how}");
        assert_eq!(told(&ledger), expected);
        assert!(html(&ledger, "Shop", &TimeZone::UTC).contains(how));
        assert_eq!(csv(&ledger).lines().nth(1).unwrap().split(',').rev().nth(1), Some("1"));
    }
}

/// With the power its meter may go silent a moment before the outlet reports.
#[test]
fn a_moment_of_not_knowing_makes_no_cut_job_whole() {
    let mut unknown = record(14, RecordKind::State, json!({ "state": "unknown", "reasons": [] }));
    unknown.at.wall.0 += 40_000;
    assert_eq!(cut_by(vec![unknown]).cuts().len(), 1);
    let finished = record(10, RecordKind::State, json!({ "state": "idle", "reasons": [] }));
    assert_eq!(cut_by(vec![finished]).cuts().len(), 0);
}

#[test]
fn what_was_only_decided_in_shadow_mode_is_summed_apart() {
    let asked = |minute: i64, decision: &str, reason: &str| {
        let body = json!({
            "decision": decision, "input": "panel", "reason": reason, "request": "off", "shadow": true
        });
        record(minute, RecordKind::Decision, body)
    };
    let mut records = morning();
    let stop = records.pop().unwrap();
    records.extend([
        asked(80, "held", "machine-busy"),
        asked(81, "acted", "machine-idle"),
        asked(82, "nothing-to-do", "already-off"),
        asked(83, "deferred", "until-idle"),
        stop,
    ]);
    let ledger = ledger_of(records, None);
    let sum = &ledger.machines[0];
    assert_eq!((sum.requests, sum.held), (2, 1), "as without them");
    let ShadowSum { requests, obeyed, held, deferred, refused } = sum.shadow;
    assert_eq!((requests, obeyed, held, deferred, refused), (4, 2, 1, 1, 0));
    let told = words(&ledger, &TimeZone::UTC);
    assert!(
        told.contains("4 requests in shadow mode, counted in no sum: 2 would have been obeyed, 1 held"),
        "{told}"
    );
}

/// January has 31 days, and the clock on the wall says where it ends.
#[test]
fn weeks_and_months_add_up_to_the_whole() {
    const DAY: i64 = 1_440;
    let mut records: Vec<Record> = (0..60 * 48).map(|half| energy(half * 30, 100.0)).collect();
    records.push(record(60 * DAY + 60, RecordKind::Stop, json!({})));
    let (_dir, file) = journal_of(records);
    let period = Period { from: at(0), to: at(60 * DAY) };
    let terms = Terms { period, machine: None, tariff: Some(tariff()), titles: BTreeMap::new() };
    let ledger = ledger(&JournalReader::open(&file).unwrap(), &terms).unwrap();
    let all = json(&ledger, &TimeZone::get("Pacific/Chatham").unwrap());
    let kwh = |parts: &Value| {
        parts.as_array().unwrap().iter().map(|part| part["energy_kwh"].as_f64().unwrap()).sum::<f64>()
    };
    for parts in [&all["weeks"], &all["months"]] {
        assert!((kwh(parts) - 144.0).abs() < 1e-6, "{parts}");
    }
    let months: Vec<&str> =
        all["months"].as_array().unwrap().iter().map(|it| it["from"].as_str().unwrap()).collect();
    assert_eq!(months, ["2026-01-01", "2026-02-01", "2026-03-01"]);
    // From Tuesday's first minute there, 2026-01-06, 26 days of January are left, less the quarter of an hour before
    // it.
    let january = all["months"][0]["energy_kwh"].as_f64().unwrap();
    assert!((january - (26.0 * 2.4 + 0.025)).abs() < 1e-6, "{january}");
    let told = words(&ledger, &TimeZone::UTC);
    assert!(told.contains("week from") && told.contains("month from"), "{told}");
}
