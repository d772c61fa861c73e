//! What could go wrong while setting up: a topic that breaks the terminal, a recording that replay cannot read, a disk
//! that fills up.

use std::io::Write as _;

use super::*;
use crate::recording::{RecordingReader, Writer};
use crate::replay::{Played, Player, SignalPlace, Timeline, Track};
use idlegate_detectors::Modules;
use idlegate_engine::signals::{Arrived, SignalState};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::{Message, Name, Value};
use idlegate_plan::{MachineIx, NumberSignal, Plan, SignalIx, SignalKind, ValuePath};
use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};

const SHOP: &str = "title = \"Shop\"\n[broker]\nhost = \"127.0.0.1\"\n";
const MILL: &str = r#"
title = "Mill"
[outlet]
state = { topic = "outlets/mill", on = "on", off = "off" }
order = { topic = "outlets/mill/order", on = "on", off = "off" }
power = "power"
[signals.power]
topic = "meters/mill"
pointer = "/kw"
scale = 1000
unit = "W"
[[detectors]]
use = "power-threshold"
settings = { busy_watts = 60, dwell = "3 min" }
"#;

fn plan() -> Plan {
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None).unwrap();
    let folder =
        Folder::from_texts(std::path::Path::new("shop"), [("shop.toml", SHOP), ("machines/mill.toml", MILL)]);
    compile(&folder, &Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK }).unwrap().plan
}

fn message(topic: &str, payload: &str, retained: bool) -> Message {
    let (topic, payload) = (topic.into(), bytes::Bytes::copy_from_slice(payload.as_bytes()));
    Message {
        topic,
        payload,
        retained,
        proved: !retained,
        ours: false,
        age: Span::ZERO,
        response_topic: None,
        correlation: None,
    }
}

fn now(secs: u64) -> Now {
    Now {
        moment: Moment(secs * 1_000),
        wall: WallTime(1_795_615_391_000 + i64::try_from(secs * 1_000).unwrap()),
    }
}

#[test]
fn what_is_recorded_is_what_replay_reads_back() {
    let mut recorder = Recorder::new(&plan(), &[]);
    assert_eq!(recorder.filters(), ["meters/mill", "outlets/mill"]);
    let mut writer = Writer::new(Vec::new());
    for (secs, topic, payload, retained) in [
        (1, "outlets/mill", "on", true),
        (2, "meters/mill", r#"{"kw":0.118}"#, false),
        (3, "meters/mill", "nonsense", false),
        (4, "meters/mill", r#"{"kw":0.5}"#, true),
        (5, "lamps/hall", "on", false),
    ] {
        for taken in recorder.take(now(secs), &message(topic, payload, retained)) {
            writer.write(&taken.name, taken.unit.as_deref(), taken.at, &taken.value).unwrap();
        }
    }
    assert_eq!(recorder.rejected(), 1);
    let reader = RecordingReader::new("recording".into(), std::io::Cursor::new(writer.into_inner())).unwrap();
    let points: Vec<_> = reader
        .map(|point| point.unwrap())
        .map(|point| (point.signal.to_string(), point.at, point.value))
        .collect();
    assert_eq!(
        points,
        [
            ("mill/outlet".to_owned(), now(1).wall, Value::Text("on".into())),
            ("mill/power".to_owned(), now(2).wall, Value::Number(118.0)),
        ],
        "a stored reading is of unknown age, and is not recorded"
    );
}

#[test]
fn only_the_machines_that_are_wanted_are_recorded() {
    let mut plan = plan();
    let mut kiln = plan.machines[0].clone();
    kiln.name = Name::new("kiln").unwrap();
    plan.machines.push(kiln);
    let mut recorder = Recorder::new(&plan, &[MachineIx(1)]);
    let taken = recorder.take(now(1), &message("meters/mill", r#"{"kw":0.1}"#, false));
    assert_eq!(taken.iter().map(|taken| taken.name.as_str()).collect::<Vec<_>>(), ["kiln/power"]);
}

#[test]
fn a_full_file_is_put_aside_and_the_oldest_deleted() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("mill.jsonl");
    std::fs::write(&path, "of an earlier run\n").unwrap();
    let mut rolling = Rolling::begin(&path, 100, 2, now(0).wall).unwrap();
    for secs in 1..=6 {
        rolling.write_all(&[b'x'; 120]).unwrap();
        rolling.turn(now(secs).wall).unwrap();
    }
    let mut names: Vec<_> = std::fs::read_dir(dir.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names.len(), 4, "two of its own and the earlier recording stay: {names:?}");
    assert!(names.contains(&"mill.jsonl".to_owned()));
    assert_eq!(std::fs::metadata(&path).unwrap().len(), 0);
}

#[test]
fn a_file_that_is_there_is_never_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("mill.jsonl");
    std::fs::write(&path, "of an earlier run\n").unwrap();
    std::fs::write(dir.path().join("mill-notes.jsonl"), "mine").unwrap();
    drop(Rolling::begin(&path, 100, 5, now(0).wall).unwrap());
    let kept = std::fs::read_dir(dir.path()).unwrap().map(|entry| entry.unwrap().path());
    let texts: Vec<_> = kept.map(|path| std::fs::read_to_string(path).unwrap()).collect();
    assert!(texts.contains(&"of an earlier run\n".to_owned()) && texts.contains(&"mine".to_owned()));
}

/// The ninth-oldest recording is as dear to somebody as the newest.
#[test]
fn recordings_of_earlier_runs_are_never_deleted() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("mill.jsonl");
    for run in 0..12 {
        let mut rolling = Rolling::begin(&path, 100, 2, now(run).wall).unwrap();
        rolling.write_all(b"a line\n").unwrap();
    }
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 12);
}

#[test]
fn two_recordings_do_not_share_a_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("mill.jsonl");
    let mut first = Rolling::begin(&path, 100, 2, now(0).wall).unwrap();
    for begun in [false, true] {
        if begun {
            first.write_all(&[b'x'; 120]).unwrap();
            first.turn(now(1).wall).unwrap();
            first.write_all(b"a line\n").unwrap();
        }
        let refused = Rolling::begin(&path, 100, 2, now(2).wall).unwrap_err();
        assert_eq!(refused.kind(), std::io::ErrorKind::ResourceBusy, "{refused}");
    }
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "a line\n", "nor was it put aside");
    drop(first);
    assert!(Rolling::begin(&path, 100, 2, now(3).wall).is_ok());
}

#[test]
fn the_board_shows_changes_and_intervals() {
    let mut board = Board::default();
    assert!(board.take(Moment(0), "meters/mill", b"31", false));
    assert!(!board.take(Moment(5_000), "meters/mill", b"31", false));
    assert!(board.take(Moment(10_000), "meters/mill", b"118", false));
    let line = board.line("meters/mill").unwrap();
    assert_eq!((line.value.as_str(), line.before.as_deref(), line.count), ("118", Some("31"), 3));
    assert_eq!(line.interval(), Some(Span::secs(5)));
    board.take(Moment(10_000), "lamps/hall", b"{ \"on\":\n true }", true);
    assert_eq!(board.lines("HALL").map(|line| line.value.as_str()).collect::<Vec<_>>(), ["{\"on\":true}"]);
    assert_eq!(board.lines("118").count(), 1);
}

#[test]
fn nothing_on_the_board_can_move_the_cursor() {
    let mut board = Board::default();
    board.take(Moment(0), "a\x1b[2J\nb", "x\x1b[31m\u{202e}y\n".as_bytes(), false);
    board.take(Moment(0), "json", "{\"a\":\"\u{9b}31m\u{202e}\"}".as_bytes(), false);
    board.take(Moment(0), "raw", &[0xff, 0xfe], false);
    board.take(Moment(0), "long", "\u{e9}".repeat(1_000).as_bytes(), false);
    let lines: Vec<_> = board.lines("").collect();
    assert!(
        lines.iter().all(|line| !line.topic.chars().chain(line.value.chars()).any(char::is_control)),
        "{lines:?}"
    );
    assert!(lines.iter().all(|line| !line.value.contains('\u{202e}')), "{lines:?}");
    assert!(lines.iter().any(|line| line.value == "(2 bytes, not text)"));
    assert!(lines.iter().all(|line| line.value.chars().count() <= 161));
}

/// The packs of RFC 8428, sections 5.1.2, 5.1.4 and 5.1.5, at times that a recording can have, and what a meter might
/// send that was out of reach for a while. With each the record to look for, and its unit.
const PACKS: [(&str, &str, &str); 5] = [
    (
        "urn:dev:ow:10e2073a0108006:current",
        "A",
        r#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
            {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
            {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"#,
    ),
    (
        "urn:dev:ow:10e2073a01080063",
        "%RH",
        r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
            {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
            {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7}]"#,
    ),
    (
        "urn:dev:ow:10e2073a01080063:temp",
        "Cel",
        r#"[{"bn":"urn:dev:ow:10e2073a01080063:","bt":1.32e9,"n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},
            {"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"#,
    ),
    (
        "mill:power",
        "W",
        r#"[{"bn":"mill:power","bt":1.7e9,"bu":"kW","v":0.003},{"t":-2,"v":0.455},{"u":"W","t":-2,"v":456},{"t":-9,"v":0.4}]"#,
    ),
    (
        "mill:power",
        "W",
        r#"[{"bn":"mill:power","bt":1.7e9,"bu":"W","s":7},{"vs":"455 W"},{"n":":sum","v":1}]"#,
    ),
];

/// What was recorded from a pack, what the guard takes from it, and what a replay reads from a file with the very pack
/// in it are the same readings at the same times.
#[test]
fn guard_record_and_replay_read_the_same_from_one_pack() {
    for (name, unit, pack) in PACKS {
        let mut plan = plan();
        let signal = &mut plan.machines[0].signals[0];
        signal.source.path = ValuePath::SenmlName(name.to_owned());
        signal.kind = SignalKind::Number(NumberSignal { unit: unit.to_owned(), ..NumberSignal::default() });
        let pack = pack.replace('\n', " ");
        let end = now(0);

        let arrived = Arrived { at: end.moment, retained: false, flagged: false, now: None };
        let rules = plan.machines[0].signals[0].clone();
        let guard = SignalState::new(&rules).take(&rules, pack.as_bytes(), arrived).unwrap();
        let guard: Vec<Value> = guard.into_iter().map(|reading| reading.value).collect();

        // Far enough from the start of both clocks for readings of many years ago.
        let late = Now { moment: Moment(1 << 50), ..end };
        let recorded = Recorder::new(&plan, &[]).take(late, &message("meters/mill", &pack, false));
        let values: Vec<Value> = recorded.iter().map(|taken| taken.value.clone()).collect();
        assert_eq!(values, guard, "{name}");

        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("packs.jsonl");
        // A recording of one signal has one name in it.
        std::fs::write(&path, format!("{}\n", only_of(&pack, name))).unwrap();
        let mut timeline = Timeline::default();
        let place = SignalPlace { machine: MachineIx(0), signal: SignalIx(0) };
        timeline.add(&plan, &path, Track::Signal(place)).unwrap();
        let mut replayed = Vec::new();
        while let Some((at, _, value)) = timeline.take(&plan).unwrap() {
            replayed.push((at, value));
        }
        let recorded: Vec<_> = recorded.into_iter().map(|taken| (taken.at, taken.value)).collect();
        let texts_read = replayed.into_iter().map(|(at, value)| match value {
            // A replay hands texts to the engine, which reads them as the guard does.
            Value::Text(text) => {
                let read = idlegate_engine::intake::decode_numbers(
                    &ValuePath::Whole,
                    number(&rules),
                    text.as_bytes(),
                );
                (at, Value::Number(read.unwrap()[0].value))
            }
            Value::Number(_) => (at, value),
        });
        assert_eq!(texts_read.collect::<Vec<_>>(), recorded, "{name}");
        assert_eq!(timeline.late(), 0, "{name}");
    }
}

fn number(signal: &idlegate_plan::Signal) -> &NumberSignal {
    match &signal.kind {
        SignalKind::Number(number) => number,
        SignalKind::Text | SignalKind::Machine(_) => unreachable!(),
    }
}

/// The resolved records of that name, in the order of the pack.
fn only_of(pack: &str, name: &str) -> String {
    let mut records = idlegate_engine::intake::resolve_senml(pack).unwrap();
    records.retain(|record| record.name == name);
    idlegate_engine::intake::senml::write_pack(&records).unwrap()
}

/// A meter that speaks only when its value changes, and its controller's uptime beside it. With `signs`, both are
/// recorded.
fn states_in_replay(signs: bool) -> Vec<(u64, PermissiveState)> {
    let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None).unwrap();
    let alive = "reports = \"on-change\"\nalive = { topic = \"meters/mill/uptime\", silent_max = \"90s\" }\nunit = \"W\"";
    let mill = MILL.replace("unit = \"W\"", alive);
    let folder = Folder::from_texts(
        std::path::Path::new("shop"),
        [("shop.toml", SHOP), ("machines/mill.toml", mill.as_str())],
    );
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let plan = compile(&folder, &around).unwrap().plan;
    let mut recorder = Recorder::new(&plan, &[]);
    assert!(recorder.filters().contains(&"meters/mill/uptime".to_owned()));
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("day.jsonl");
    let mut writer = Writer::new(std::fs::File::create(&path).unwrap());
    let mut record = |secs: u64, topic: &str, payload: &str, retained: bool| {
        for taken in recorder.take(now(secs), &message(topic, payload, retained)) {
            writer.write(&taken.name, taken.unit.as_deref(), taken.at, &taken.value).unwrap();
        }
    };
    record(2, "meters/mill", r#"{"kw":0.012}"#, false);
    for secs in (30..=600).step_by(30).filter(|_| signs) {
        record(secs, "meters/mill/uptime", "1000", false);
    }
    // A stored one is no sign of life; one that comes after a long silence does not make the old value hold again.
    record(660, "meters/mill/uptime", "1000", true);
    record(900, "meters/mill/uptime", "1000", false);
    record(1_000, "meters/mill/uptime", "1000", false);
    let mut timeline = Timeline::default();
    timeline.add(&plan, &path, Track::Whole).unwrap();
    let mut states = Vec::new();
    let heard = |heard: Played<'_>| {
        if let Played::Changed(change) = heard {
            states.push((u64::try_from(change.at.0 - now(0).wall.0).unwrap() / 1_000, change.state));
        }
    };
    let ended = Player::new(&plan, &modules, timeline).play(None, heard, |_, _, _| {}).unwrap();
    assert_eq!(ended.readings, 1, "a sign of life is no reading");
    states
}

#[test]
fn a_recording_keeps_the_signs_of_life_so_that_a_replay_believes_the_silence_that_the_guard_believed() {
    use PermissiveState::{Clear, Unknown};
    // It has been quiet for three minutes at 182 s, and the next sign of life comes at 210 s.
    assert_eq!(states_in_replay(true), [(2, Unknown), (210, Clear), (690, Unknown)]);
    assert_eq!(states_in_replay(false), [(2, Unknown)]);
}

/// A meter and an outlet for so long, a message a second: now and then one that is no reading, and a job in every hour.
fn messages(secs: u64) -> impl Iterator<Item = (Now, Message)> {
    (0..secs).map(|second| {
        let at = now(second);
        let message = match second % 60 {
            7 => message("outlets/mill", "on", false),
            11 => message("meters/mill", "nonsense", false),
            _ => {
                let tenths =
                    if second % 3_600 < 900 { 4_550 + second * 7 % 113 } else { 31 + second * 3 % 7 };
                message("meters/mill", &format!("{{\"kw\":0.{tenths:04}}}"), false)
            }
        };
        (at, message)
    })
}

/// Every file with its length.
fn lengths(dir: &std::path::Path) -> Vec<(std::ffi::OsString, u64)> {
    let mut found: Vec<_> = std::fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.file_name(), entry.metadata().unwrap().len()))
        .collect();
    found.sort();
    found
}

/// Judged by the files alone: how often one of them grows, what they hold, and what a replay says of them.
#[test]
fn the_guard_keeps_what_record_records_and_writes_once_a_minute() {
    let plan = plan();
    let dir = tempfile::tempdir().unwrap();
    let hours = 3;
    let bounds = crate::recording::KeptBounds {
        disk_free_min: 0,
        ..crate::recording::KeptBounds::for_age(Span::secs(86_400))
    };
    let folder = crate::recording::KeptFolder::open(dir.path(), bounds, Moment(0)).unwrap();
    let mut packer = Packer::new(&plan, folder, Moment(0));
    let mut recorder = Recorder::new(&plan, &[]);
    let mut recorded = Writer::new(Vec::new());
    let (mut writes, mut readings, mut before) = (0, 0_u64, lengths(dir.path()));
    for (at, message) in messages(hours * 3_600) {
        packer.take(at, &message);
        for taken in recorder.take(at, &message) {
            recorded.write(&taken.name, taken.unit.as_deref(), taken.at, &taken.value).unwrap();
            readings += 1;
        }
        packer.turn(at).unwrap();
        let after = lengths(dir.path());
        writes += u64::from(after != before);
        before = after;
    }
    packer.write(now(hours * 3_600)).unwrap();
    assert!((hours * 60 - 1..=hours * 60).contains(&writes), "{writes} writes in {hours} hours");
    assert_eq!(packer.lost(), 0);

    let bytes: u64 = lengths(dir.path()).iter().map(|(_, bytes)| bytes).sum();
    println!("{readings} readings in {bytes} bytes, {writes} writes in {hours} hours");
    assert!(bytes < readings * 20, "{bytes} bytes for {readings} readings");

    let recorded = recorded.into_inner();
    let kept = || {
        let on_fault = |fault: &_| panic!("{fault:?}");
        crate::recording::KeptReader::open(dir.path(), now(0).wall, on_fault).unwrap().map(Ok)
    };
    let recorded = || {
        let text = std::io::Cursor::new(recorded.clone());
        RecordingReader::new("recording".into(), text).unwrap()
    };
    let told = |points: Box<dyn Iterator<Item = Result<crate::recording::Point, _>> + Send>| {
        let modules = Modules::new(idlegate_detectors::Execution::Interpreted, None).unwrap();
        let mut timeline = Timeline::default();
        timeline.add_points(&plan, "readings".into(), points, Track::Whole).unwrap();
        let mut changes = Vec::new();
        let heard = |heard: Played<'_>| {
            if let Played::Changed(change) = heard {
                changes.push(change.clone());
            }
        };
        let ended = Player::new(&plan, &modules, timeline).play(None, heard, |_, _, _| {}).unwrap();
        (changes, ended)
    };
    let same: Vec<_> =
        recorded().map(|point| point.unwrap()).map(|point| (point.signal, point.at, point.value)).collect();
    let is: Vec<_> =
        kept().map(|point| point.unwrap()).map(|point| (point.signal, point.at, point.value)).collect();
    assert_eq!(is, same);
    let (changes, ended) = told(Box::new(kept()));
    assert!(changes.len() > 4, "{changes:?}");
    assert_eq!((changes, ended), told(Box::new(recorded())));
}

#[test]
fn a_flood_is_kept_or_counted_and_nobody_waits_for_it() {
    let mut plan = plan();
    plan.shop.keep_readings = Some(Span::secs(86_400));
    let parent = tempfile::tempdir().unwrap();
    let dir = parent.path().join("readings");
    let keeper = Keeper::start(&dir, std::sync::Arc::new(plan), Span::secs(86_400)).unwrap();
    let sent = 30_000;
    for second in 0..sent {
        keeper.hear(now(second), message("meters/mill", r#"{"kw":0.118}"#, false));
    }
    let last_word = keeper.last_word();
    assert!(keeper.close(std::time::Duration::from_secs(60)));
    let on_fault = |fault: &_| panic!("{fault:?}");
    let kept = crate::recording::KeptReader::open(&dir, WallTime(0), on_fault).unwrap().count() as u64;
    let told = last_word();
    assert_eq!((kept + told.lost, &told.trouble), (sent, &None));
    assert!(kept > 0 && told.bytes > 0);
}

#[test]
fn a_folder_that_cannot_be_used_costs_readings_and_says_so() {
    let parent = tempfile::tempdir().unwrap();
    let dir = parent.path().join("readings");
    std::fs::write(&dir, "a file is in its place").unwrap();
    let keeper = Keeper::start(&dir, std::sync::Arc::new(plan()), Span::secs(86_400)).unwrap();
    keeper.hear(now(1), message("meters/mill", r#"{"kw":0.118}"#, false));
    let last_word = keeper.last_word();
    assert!(keeper.close(std::time::Duration::from_secs(60)));
    let told = last_word();
    assert_eq!(told.lost, 1);
    assert!(told.trouble.is_some(), "{told:?}");
}
