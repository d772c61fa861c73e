//! What could go wrong with a report: it makes up hours nobody watched, counts a job twice, bills a day at the night's
//! price.

use std::collections::BTreeMap;
use std::path::PathBuf;

use jiff::tz::TimeZone;
use proptest::prelude::*;
use serde_json::{Value, json};
use tempfile::TempDir;

mod blind;
mod cuts;
mod figures;

use super::*;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_journal::{
    FileBackend, Journal, JournalReader, Limits, Pace, Record, RecordKind, nobody_listens,
};
use idlegate_plan::event::Name;
use idlegate_plan::schedules::Hours;
use idlegate_plan::text::rfc3339;
use idlegate_plan::{Tariff, TariffBand};

/// Monday 2026-01-05, 10:00 UTC.
const TEN: i64 = 1_767_607_200_000;

fn at(minute: i64) -> WallTime {
    WallTime(TEN + minute * 60_000)
}

fn record(minute: i64, kind: RecordKind, body: Value) -> Record {
    let moment = Moment(1_000_000_000 + u64::try_from(minute + 100_000).unwrap() * 60_000);
    Record::new(kind, Now { moment, wall: at(minute) }, body).of(Name::new("printer").unwrap())
}

fn energy(minute: i64, watts: f64) -> Record {
    let joules = vec![watts * 60.0; 30];
    let body =
        json!({ "from": rfc3339(at(minute)), "joules": joules, "watts_max": watts + 5.0, "silent_s": 0.0 });
    record(minute + 30, RecordKind::Energy, body)
}

/// Idle from ten, a job from half past to eleven, switched off by the guard at ten past; the guard is stopped at a
/// quarter to twelve.
fn morning() -> Vec<Record> {
    let held = json!({ "input": "button", "request": "off", "decision": "held", "reason": "machine-busy" });
    let off = json!({ "input": "button", "request": "off", "decision": "acted", "reason": "machine-idle" });
    vec![
        record(-5, RecordKind::Start, json!({})),
        record(-5, RecordKind::Outlet, json!({ "state": "on" })),
        record(-4, RecordKind::State, json!({ "state": "idle", "reasons": [] })),
        energy(0, 30.0),
        record(30, RecordKind::State, json!({ "state": "busy", "reasons": ["120 W"] })),
        record(40, RecordKind::Decision, held),
        energy(30, 120.0),
        record(60, RecordKind::State, json!({ "state": "idle", "reasons": [] })),
        record(70, RecordKind::Decision, off),
        record(
            70,
            RecordKind::Order,
            json!({ "switch": "off", "cause": "plain", "resend": 0, "not_sent": null }),
        ),
        record(70, RecordKind::Outlet, json!({ "state": "off" })),
        record(105, RecordKind::Stop, json!({})),
    ]
}

/// A journal with these records in it.
fn journal_of(records: Vec<Record>) -> (TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("journal.sqlite");
    let shelf = FileBackend::new(file.clone(), Limits::default());
    let (journal, _) = Journal::start(Box::new(shelf), Pace::default(), nobody_listens());
    for record in records {
        journal.append(record);
    }
    assert!(journal.close(Span::secs(20)));
    (dir, file)
}

fn ledger_of(records: Vec<Record>, tariff: Option<Tariff>) -> Ledger {
    let (_dir, file) = journal_of(records);
    let terms =
        Terms { period: Period { from: at(0), to: at(120) }, machine: None, tariff, titles: BTreeMap::new() };
    ledger(&JournalReader::open(&file).unwrap(), &terms).unwrap()
}

fn tariff() -> Tariff {
    let hours = Hours::new(&["11:00-12:00"], "Europe/Berlin").unwrap();
    let band = TariffBand { name: Name::new("noon").unwrap(), per_kwh: 0.10, hours };
    Tariff { currency: "EUR".into(), per_kwh: 0.40, bands: vec![band] }
}

#[test]
fn every_minute_of_the_time_is_in_one_sum() {
    let ledger = ledger_of(morning(), None);
    let sum = &ledger.machines[0];
    let minutes = |span: Span| span.0 / 60_000;
    assert_eq!(
        [sum.working, sum.idle, sum.unclear, sum.off, sum.unseen].map(minutes),
        [30, 40, 0, 35, 15],
        "what came after the stop was not seen"
    );
    assert_eq!((sum.requests, sum.held, sum.forced, sum.refused), (2, 1, 0, 0));
}

#[test]
fn a_job_has_its_energy_and_its_price() {
    let ledger = ledger_of(morning(), Some(tariff()));
    let sum = &ledger.machines[0];
    // 30 W for half an hour and 120 W for half an hour: 0.015 kWh and 0.060 kWh.
    assert!((sum.joules / 3.6e6 - 0.075).abs() < 1e-9);
    assert_eq!(sum.jobs.len(), 1);
    assert_eq!((sum.jobs[0].from, sum.jobs[0].until, sum.jobs[0].watts_max), (at(30), at(60), 120.0));
    assert!((sum.jobs[0].joules / 3.6e6 - 0.060).abs() < 1e-9);
    // Ten to eleven UTC is eleven to twelve in Berlin in winter.
    assert!((sum.cost.unwrap() - 0.075 * 0.10).abs() < 1e-9, "{:?}", sum.cost);
}

#[test]
fn what_the_guard_saved_is_reckoned_from_the_usual_idle_draw() {
    let ledger = ledger_of(morning(), None);
    let sum = &ledger.machines[0];
    assert_eq!((sum.idle_watts, sum.off_by_guard), (Some(30.0), Span::secs(35 * 60)));
    assert!((sum.joules_avoided.unwrap() - 30.0 * 35.0 * 60.0).abs() < 1e-6);
    let told = words(&ledger, &TimeZone::UTC);
    assert!(told.contains("printer: off for 35 min because Idlegate switched it off when it was idle; at its usual idle draw that saved about 0.02 kWh"), "{told}");
    assert!(told.contains("(EU) 2023/826"), "{told}");
}

#[test]
fn an_off_by_hand_saves_nothing_of_the_guards() {
    let mut records = morning();
    records.retain(|record| record.kind != RecordKind::Order);
    assert_eq!(ledger_of(records, None).machines[0].off_by_guard, Span::ZERO);
}

/// Switched on at five past ten, a surge in the first minute, idle draw from then on; a job later.
#[test]
fn the_surge_of_a_start_is_no_job_and_hours_not_known_are_not_idle() {
    let surge = |minute: i64, first: f64| {
        let mut joules = vec![30.0 * 60.0; 30];
        joules[..5].fill(0.0);
        joules[5] = first * 60.0;
        let body =
            json!({ "from": rfc3339(at(minute)), "joules": joules, "watts_max": first, "silent_s": 0.0 });
        record(minute + 30, RecordKind::Energy, body)
    };
    let records = vec![
        record(-5, RecordKind::Start, json!({})),
        record(-5, RecordKind::Outlet, json!({ "state": "off" })),
        record(5, RecordKind::Outlet, json!({ "state": "on" })),
        record(5, RecordKind::State, json!({ "state": "busy", "reasons": [] })),
        record(8, RecordKind::State, json!({ "state": "idle", "reasons": [] })),
        surge(0, 400.0),
        record(30, RecordKind::State, json!({ "state": "busy", "reasons": [] })),
        energy(30, 120.0),
        record(60, RecordKind::State, json!({ "state": "unknown", "reasons": [] })),
        record(100, RecordKind::Outlet, json!({ "state": "off" })),
        record(120, RecordKind::Stop, json!({})),
    ];
    let ledger = ledger_of(records, None);
    let jobs: Vec<_> = ledger.machines[0].jobs.iter().map(|job| (job.from, job.until)).collect();
    assert_eq!(jobs, [(at(30), at(60))]);
    let told = words(&ledger, &TimeZone::UTC);
    let row: Vec<&str> =
        told.lines().find(|line| line.starts_with("printer ")).unwrap().split_whitespace().collect();
    // Working, idle, unclear, off and unseen hours.
    assert_eq!(row[1..6], ["0.6", "0.4", "0.7", "0.4", "0.0"], "{told}");
}

#[test]
fn nothing_is_zero_and_never_minus_zero() {
    let records = vec![record(0, RecordKind::Outlet, json!({ "state": "on" }))];
    let ledger = ledger_of(records, Some(tariff()));
    let all = format!("{}{}{}", csv(&ledger), words(&ledger, &TimeZone::UTC), json(&ledger, &TimeZone::UTC));
    assert!(!all.contains("-0.0"), "{all}");
}

#[test]
fn people_read_what_they_call_the_machine_and_can_reach_every_table_by_keyboard() {
    let (_dir, file) = journal_of(morning());
    let titles = BTreeMap::from([("printer".to_owned(), "Printer at the window".to_owned())]);
    let terms = Terms { period: Period { from: at(0), to: at(120) }, machine: None, tariff: None, titles };
    let ledger = ledger(&JournalReader::open(&file).unwrap(), &terms).unwrap();
    let page = html(&ledger, "Shop", &TimeZone::UTC);
    assert!(words(&ledger, &TimeZone::UTC).contains("Printer at the window"));
    assert!(page.contains("Printer at the window, Mon 2026-01-05") && !page.contains(">printer<"));
    let count = |part: &str| page.matches(part).count();
    let tables = count("<table>");
    assert!(tables >= 2);
    for part in ["class=\"scroll\"", "tabindex=\"0\"", "<caption>", "role=\"region\""] {
        assert_eq!(count(part), tables, "{part}");
    }
    assert_eq!(count("<th>"), 0, "every head says what it is the head of");
    assert!(csv(&ledger).contains("\nprinter,"), "a script goes by the name");
}

#[test]
fn tables_have_a_line_for_each_machine() {
    let ledger = ledger_of(morning(), Some(tariff()));
    let table = csv(&ledger);
    let lines: Vec<&str> = table.lines().collect();
    assert_eq!(lines.len(), 2);
    assert_eq!(lines[0].split(',').count(), lines[1].split(',').count());
    assert!(
        lines[1].starts_with(
            "printer,2026-01-05T10:00:00.000Z,2026-01-05T12:00:00.000Z,1800,2400,0,2100,900,0.075000,"
        ),
        "{}",
        lines[1]
    );
    let json = json(&ledger, &TimeZone::UTC);
    assert_eq!(json["machines"][0]["jobs"][0]["from"], "2026-01-05T10:30:00.000Z");
}

/// 10:15 in UTC is midnight on the Chatham Islands in summer.
#[test]
fn the_page_has_a_strip_for_each_day_by_the_clock_on_the_wall() {
    let ledger = ledger_of(morning(), Some(tariff()));
    let strips = |zone: &str| {
        let page = html(&ledger, "Shop", &TimeZone::get(zone).unwrap());
        ["2026-01-05 +1345", "2026-01-06 +1345", "2026-01-05 UTC"].map(|day| page.contains(day))
    };
    assert_eq!(strips("Pacific/Chatham"), [true, true, false]);
    assert_eq!(strips("UTC"), [false, false, true]);
}

#[test]
fn the_page_needs_nothing_else_and_lets_no_name_break_it() {
    let page = html(&ledger_of(morning(), Some(tariff())), "Tom & <b>Ida</b>", &TimeZone::UTC);
    assert!(page.contains("Tom &amp; &lt;b&gt;Ida&lt;/b&gt;"));
    assert!(page.contains("<svg") && page.contains("working"));
    for outside in ["http://", "https://", "<script", "<link", "<img", "@import"] {
        let found = page.replace("http://www.w3.org/2000/svg", "").contains(outside);
        assert!(!found, "{outside}");
    }
}

/// What happens to one of two machines, or to the service.
fn happening() -> impl Strategy<Value = (i64, Option<&'static str>, RecordKind, &'static str)> {
    let machine = prop::sample::select(vec!["printer", "kiln"]);
    let outlet = (machine.clone(), prop::sample::select(vec!["on", "on", "off", "unknown"]));
    let state = (machine, prop::sample::select(vec!["busy", "busy", "idle", "unknown"]));
    let what = prop_oneof![
        3 => outlet.prop_map(|(machine, state)| (Some(machine), RecordKind::Outlet, state)),
        6 => state.prop_map(|(machine, state)| (Some(machine), RecordKind::State, state)),
        1 => Just((None, RecordKind::Start, "")),
        1 => Just((None, RecordKind::Stop, "")),
    ];
    (1_i64..90, what).prop_map(|(minutes, (machine, kind, state))| (minutes, machine, kind, state))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn the_journals_own_view_finds_the_same_jobs(life in prop::collection::vec(happening(), 1..60)) {
        let (mut minute, mut runs) = (0, false);
        let mut records = Vec::new();
        for (minutes, machine, kind, state) in life {
            let now = |minute: i64| Now { moment: Moment(minute.unsigned_abs() * 60_000), wall: at(minute) };
            if kind == RecordKind::Start && runs {
                // As the journal itself does for a run that was killed.
                let mut killed = now(minute);
                killed.wall.0 += 30_000;
                records.push(Record::new(RecordKind::Stop, killed, json!({ "unexpected": true })));
            }
            runs = kind == RecordKind::Start || (runs && kind != RecordKind::Stop);
            minute += minutes;
            let record = Record::new(kind, now(minute), json!({ "state": state }));
            records.push(match machine {
                Some(machine) => record.of(Name::new(machine).unwrap()),
                None => record,
            });
        }
        let (_dir, file) = journal_of(records);
        let end = at(minute + 1);
        let terms = Terms { period: Period { from: at(0), to: end }, machine: None, tariff: None, titles: BTreeMap::new() };
        let ledger = ledger(&JournalReader::open(&file).unwrap(), &terms).unwrap();
        let jobs = ledger.machines.iter().flat_map(|sum| sum.jobs.iter().map(|job| (&sum.machine, job)));
        // One that goes on ends with the report, and has no end in the journal.
        let expected: Vec<_> = jobs
            .map(|(machine, job)| {
                let until = Some(rfc3339(job.until)).filter(|_| job.until < end);
                (machine.clone(), rfc3339(job.from), until)
            })
            .collect();
        let connection = rusqlite::Connection::open(&file).unwrap();
        let mut listing = connection.prepare("SELECT machine, at, until FROM jobs ORDER BY machine, seq").unwrap();
        let rows = listing.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).unwrap();
        let found: Vec<(String, String, Option<String>)> = rows.map(Result::unwrap).collect();
        prop_assert_eq!(found, expected);
    }
}

#[test]
fn the_journals_own_view_has_every_minute_of_energy() {
    let mut silent = energy(60, 10.0);
    silent.body["joules"][3] = Value::Null;
    let (_dir, file) = journal_of(vec![energy(0, 30.0), energy(30, 120.0), silent]);
    let connection = rusqlite::Connection::open(&file).unwrap();
    let (minutes, joules, last): (i64, f64, String) = connection
        .query_row("SELECT count(*), sum(joules), max(at) FROM energy WHERE machine = 'printer'", [], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })
        .unwrap();
    assert_eq!((minutes, last.as_str()), (89, "2026-01-05T11:29:00.000Z"));
    assert!((joules - (30.0 * 30.0 + 30.0 * 120.0 + 29.0 * 10.0) * 60.0).abs() < 1e-6, "{joules}");
    let watts = "SELECT watts FROM energy WHERE at = '2026-01-05T10:31:00.000Z'";
    let watts: f64 = connection.query_row(watts, [], |row| row.get(0)).unwrap();
    assert!((watts - 120.0).abs() < 1e-9);
}

/// An emergency must not look like a press that was held, and off must not look like nothing known.
#[test]
fn the_page_tells_held_from_emergency_and_off_from_not_known() {
    let mut records = morning();
    let stop = records.pop().unwrap();
    let body = json!({ "input": "red-button", "request": "emergency-off", "decision": "acted", "reason": "emergency" });
    records.extend([record(100, RecordKind::Decision, body), stop]);
    let page = html(&ledger_of(records, None), "Shop", &TimeZone::UTC);
    let drawn = |class: &str| page.matches(&format!("class=\"{class}\"")).count();
    // Each once in the picture and once in its legend; one stretch of work, and idle before and after it. All of it is
    // drawn twice, for a wide and for a narrow screen.
    let classes = ["held", "obeyed", "emergency", "off", "unknown", "busy", "idle"].map(drawn);
    assert_eq!(classes, [2, 2, 2, 2, 2, 2, 3].map(|times| 2 * times));
    assert!(page.contains("emergency-off by red-button: acted"));
}
