//! Figures that add up: each minute in one sum, whatever was stopped, killed, or said long ago.

use super::*;

const DAY: i64 = 1_440;
const WATTS: f64 = 33.3;

fn between(file: &std::path::Path, from: i64, to: i64) -> Ledger {
    let titles = BTreeMap::new();
    let terms = Terms { period: Period { from: at(from), to: at(to) }, machine: None, tariff: None, titles };
    ledger(&JournalReader::open(file).unwrap(), &terms).unwrap()
}

fn minutes(span: Span) -> u64 {
    span.0 / 60_000
}

/// Constant draw, in records of a few minutes as the guard hands them over, each a little after its last minute.
fn constant(from: i64, until: i64) -> impl Iterator<Item = Record> {
    (from..until).step_by(5).map(|minute| {
        let joules = vec![WATTS * 60.0; 5];
        let body =
            json!({ "from": rfc3339(at(minute)), "joules": joules, "watts_max": WATTS, "silent_s": 0.0 });
        record(minute + 6, RecordKind::Energy, body)
    })
}

/// By arithmetic: 33.3 W for a week, and a seventh of it each day, however the days are asked for.
#[test]
fn seven_days_are_a_week_to_the_joule() {
    let (_dir, file) = journal_of(constant(-DAY, 8 * DAY).collect());
    let week = between(&file, 0, 7 * DAY).machines[0].joules;
    assert!((week - WATTS * 7.0 * 86_400.0).abs() < 1.0, "{week}");
    let days = (0..7).map(|day| between(&file, day * DAY, (day + 1) * DAY).machines[0].joules);
    for joules in days {
        assert!((joules - WATTS * 86_400.0).abs() < 0.1, "{joules}");
    }
}

/// Records of earlier versions are half an hour long, and the last one of a day was written on the next.
#[test]
fn a_report_until_midnight_has_the_last_half_hour_of_the_day() {
    let halves = (0..48).map(|half| energy(half * 30, 100.0));
    let (_dir, file) = journal_of(halves.collect());
    let joules = between(&file, 0, DAY).machines[0].joules;
    assert!((joules - 100.0 * 86_400.0).abs() < 1e-6, "{joules}");
}

#[test]
fn a_minute_on_record_in_two_parts_is_one_minute() {
    let part = |joules: f64| {
        let body = json!({ "from": rfc3339(at(3)), "joules": [joules], "watts_max": 50.0, "silent_s": 0.0 });
        record(4, RecordKind::Energy, body)
    };
    let ledger = ledger_of(vec![part(1_200.0), part(600.0)], None);
    assert_eq!(ledger.machines[0].minutes, [(at(3), 30.0)]);
}

/// Killed in a job, started again eight hours later: what came after the last sign of life nobody saw.
#[test]
fn a_guard_that_was_killed_has_not_worked_until_it_was_started_again() {
    let mut records = vec![
        record(-5, RecordKind::Start, json!({})),
        record(-5, RecordKind::Outlet, json!({ "state": "on" })),
        record(0, RecordKind::State, json!({ "state": "busy", "reasons": [] })),
    ];
    records.extend(constant(0, 30));
    records.push(record(510, RecordKind::Start, json!({})));
    records.push(record(511, RecordKind::Outlet, json!({ "state": "on" })));
    records.push(record(511, RecordKind::State, json!({ "state": "idle", "reasons": [] })));
    let (_dir, file) = journal_of(records);
    let sums = between(&file, 0, 600);
    let sum = &sums.machines[0];
    assert_eq!([sum.working, sum.idle, sum.unseen].map(minutes), [31, 89, 480]);
    assert_eq!((sum.jobs.len(), sum.jobs[0].until), (1, at(31)));
    // The same night, told of from a time at which it was dead already.
    let later = between(&file, 120, 600);
    assert_eq!([later.machines[0].working, later.machines[0].unseen].map(minutes), [0, 391]);
}

#[test]
fn what_has_not_changed_for_three_weeks_is_so_all_the_same() {
    let records = vec![
        record(-21 * DAY, RecordKind::Start, json!({})),
        record(-21 * DAY, RecordKind::Outlet, json!({ "state": "on" })),
        record(-21 * DAY + 1, RecordKind::State, json!({ "state": "idle", "reasons": [] })),
        record(130, RecordKind::Stop, json!({})),
    ];
    let ledger = ledger_of(records, None);
    assert_eq!(minutes(ledger.machines[0].idle), 120);
    let page = html(&ledger, "Shop", &TimeZone::UTC);
    assert!(page.contains("printer, Mon 2026-01-05"), "without a meter it is drawn, too");
}

#[test]
fn an_off_of_the_guards_three_weeks_ago_saves_to_this_day() {
    let records = vec![
        record(-21 * DAY, RecordKind::Start, json!({})),
        record(-21 * DAY, RecordKind::Outlet, json!({ "state": "on" })),
        record(
            -21 * DAY + 9,
            RecordKind::Order,
            json!({ "switch": "off", "cause": "plain", "not_sent": null }),
        ),
        record(-21 * DAY + 9, RecordKind::Outlet, json!({ "state": "off" })),
        record(130, RecordKind::Stop, json!({})),
    ];
    let sum = &ledger_of(records, None).machines[0];
    assert_eq!((minutes(sum.off), minutes(sum.off_by_guard)), (120, 120));
}

/// What was said before a stop is no longer so, however short the stop was.
#[test]
fn a_state_from_before_a_stop_is_not_known() {
    let records = vec![
        record(-60, RecordKind::Start, json!({})),
        record(-60, RecordKind::Outlet, json!({ "state": "on" })),
        record(-30, RecordKind::Stop, json!({})),
        record(-20, RecordKind::Start, json!({})),
        record(110, RecordKind::Outlet, json!({ "state": "off" })),
        record(120, RecordKind::Stop, json!({})),
    ];
    assert_eq!(minutes(ledger_of(records, None).machines[0].unseen), 110);
}

#[test]
fn a_machine_of_the_rules_is_there_even_if_nothing_was_heard_of_it_and_one_that_is_gone_is_not() {
    let (_dir, file) = journal_of(vec![
        record(-500, RecordKind::Start, json!({})),
        record(-500, RecordKind::Outlet, json!({ "state": "on" })),
        record(-400, RecordKind::Stop, json!({})),
    ]);
    let titles = BTreeMap::from([("kiln".to_owned(), "Kiln".to_owned())]);
    let terms = Terms { period: Period { from: at(0), to: at(120) }, machine: None, tariff: None, titles };
    let ledger = ledger(&JournalReader::open(&file).unwrap(), &terms).unwrap();
    let names: Vec<&str> = ledger.machines.iter().map(|sum| sum.machine.as_str()).collect();
    assert_eq!(names, ["kiln"]);
    assert_eq!(minutes(ledger.machines[0].unseen), 120);
}

/// A silence that began before the report did is only in part its own.
#[test]
fn a_silence_counts_from_where_the_report_begins() {
    let body = json!({ "from": rfc3339(at(20)), "joules": [60.0], "watts_max": 1.0, "silent_s": 86_400.0 });
    let ledger = ledger_of(vec![record(21, RecordKind::Energy, body)], None);
    assert_eq!(ledger.machines[0].silent, Span::secs(21 * 60));
}
