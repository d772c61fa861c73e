// What could go wrong in the workshop: a replay that says something else than the guard would have said, a probe that
// changes what it asks about, a recording taken for another machine's.

use std::io::Write as _;
use std::path::PathBuf;

use super::*;
use crate::calibrate::Interval;
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::Span;
use idlegate_plan::event::Name;
use idlegate_plan::text::parse_time;
use idlegate_plan::{MachineIx, Plan, SignalIx};
use idlegate_rules::{Surroundings, SystemSecrets};

fn settings(text: &str) -> toml_edit::InlineTable {
    let document: toml_edit::DocumentMut = format!("s = {{ {text} }}").parse().unwrap();
    document["s"].as_inline_table().unwrap().clone()
}

fn plan(rules: &TemporaryRules, modules: &Modules) -> Plan {
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    idlegate_rules::compile(&idlegate_rules::load(&rules.path()), &around).unwrap().plan
}

/// Ten minutes at 200 W between two half hours at 4 W, a reading every two seconds.
fn recording() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("day.csv");
    let mut file = std::fs::File::create(&path).unwrap();
    writeln!(file, "time,watts").unwrap();
    for second in (0..4_200).step_by(2) {
        let watts = if (1_800..2_400).contains(&second) { 200 } else { 4 };
        let (hour, minute) = (8 + second / 3_600, second / 60 % 60);
        writeln!(file, "2026-11-25T{hour:02}:{minute:02}:{:02}Z,{watts}", second % 60).unwrap();
    }
    (folder, path)
}

fn in_watts(name: &str) -> TemporarySignal {
    TemporarySignal { name: Name::new(name).unwrap(), unit: "W".to_owned(), text: false }
}

fn play(every: Option<Span>) -> (Vec<(String, PermissiveState)>, Sum) {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let power = [in_watts("power")];
    let rules = TemporaryRules::of_signals(
        &power,
        TemporaryModule::BuiltIn("power-threshold"),
        &settings("busy_watts = 10, dwell = \"3 min\""),
    )
    .unwrap();
    let plan = plan(&rules, &modules);
    let (_folder, path) = recording();
    let mut timeline = Timeline::default();
    timeline.add(&plan, &path, Track::Whole).unwrap();
    let job = Interval {
        from: parse_time("2026-11-25T08:30:00Z").unwrap(),
        until: parse_time("2026-11-25T08:39:58Z").unwrap(),
    };
    let mut probe = Probe::new(&plan, every.unwrap_or(Span::secs(10)), vec![job]);
    let mut changes = Vec::new();
    let heard = |heard: Played<'_>| {
        if let Played::Changed(change) = heard {
            changes.push((idlegate_plan::text::rfc3339(change.at), change.state));
        }
    };
    let ended = Player::new(&plan, &modules, timeline)
        .play(every, heard, |at, machine, state| probe.note(at, machine, state));
    assert_eq!(ended.unwrap().readings, 2_100);
    (changes, probe.sum())
}

#[test]
fn a_job_is_busy_from_its_first_reading_and_idle_a_dwell_after_its_last() {
    let (changes, _) = play(None);
    let expected = [
        ("2026-11-25T08:00:00.000Z", PermissiveState::Unknown),
        ("2026-11-25T08:03:00.000Z", PermissiveState::Clear),
        ("2026-11-25T08:30:00.000Z", PermissiveState::Busy),
        ("2026-11-25T08:43:00.000Z", PermissiveState::Clear),
    ];
    assert_eq!(changes, expected.map(|(at, state)| (at.to_owned(), state)));
}

#[test]
fn a_probe_changes_nothing_and_sums_up_what_off_would_have_done() {
    let (with, sum) = play(Some(Span::secs(10)));
    assert_eq!(with, play(None).0);
    let [machine] = &sum.machines[..] else { panic!("{sum:?}") };
    assert_eq!((machine.asked, machine.jobs, machine.jobs_hit), (420, 1, 0));
    // Idle from 8:03:00 to 8:29:50, and from 8:43:00 to 9:09:50.
    assert_eq!(machine.let_through, 162 + 162);
    assert_eq!(machine.held_after, [Some(Span::secs(182))]);
}

#[test]
fn a_recording_finds_its_machine_or_says_why_not() {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let names = ["power", "fan"].map(in_watts);
    let detector = settings("busy_watts = 10");
    let rules =
        TemporaryRules::of_signals(&names, TemporaryModule::BuiltIn("power-threshold"), &detector).unwrap();
    let plan = plan(&rules, &modules);
    let fan = plan.machines[0].signals.iter().position(|signal| signal.name.as_str() == "fan").unwrap();
    let to_fan = Bound::To(SignalPlace { machine: MachineIx(0), signal: SignalIx(fan) });
    assert_eq!(bind(&plan, "fan", None), Ok(to_fan.clone()));
    assert_eq!(bind(&plan, "machine/fan", None), Ok(to_fan));
    assert_eq!(bind(&plan, "noise", Some("dB")), Ok(Bound::ToNothing));
    assert!(matches!(bind(&plan, "watts", Some("W")), Err(BindingError::Ambiguous { .. })));
    let unknown = bind_named(&plan, "tub").unwrap_err();
    assert!(unknown.to_string().contains("machine/fan, machine/power"), "{unknown}");
}

/// Some meters' records bear only full minutes, and some files are made by hand.
#[test]
fn thousands_of_readings_may_bear_one_time() {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let rules = TemporaryRules::of_signals(
        &[in_watts("power")],
        TemporaryModule::BuiltIn("power-threshold"),
        &settings("busy_watts = 10, dwell = \"3 min\""),
    )
    .unwrap();
    let plan = plan(&rules, &modules);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("one-time.csv");
    let rows = "2026-11-25T08:00:00Z,4\n2026-11-25T08:00:00Z,200\n".repeat(3_000);
    std::fs::write(&path, format!("time,watts\n{rows}2026-11-25T08:00:01Z,4\n")).unwrap();
    let mut timeline = Timeline::default();
    timeline.add(&plan, &path, Track::Whole).unwrap();
    let ended = Player::new(&plan, &modules, timeline).play(None, |_| {}, |_, _, _| {});
    assert_eq!(ended.unwrap().readings, 6_001);
}
