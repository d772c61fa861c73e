//! What could go wrong while setting up: a topic that breaks the terminal, a recording that replay cannot read, a disk that
//! fills up.

use std::io::Write as _;

use super::*;
use crate::event::{Message, Name, Value};
use crate::plan::Plan;
use crate::recording::{Reader, Writer};
use crate::rules::{Folder, Surroundings, SystemSecrets, compile};
use crate::service::Modules;
use crate::time::{Moment, Now, Span, WallTime};

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
    let modules = Modules::new(crate::detectors::Execution::Interpreted, None).unwrap();
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
    let reader = Reader::new("recording".into(), std::io::Cursor::new(writer.into_inner())).unwrap();
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
    let mut recorder = Recorder::new(&plan, &[1]);
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
    assert_eq!(names.len(), 3, "{names:?}");
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
