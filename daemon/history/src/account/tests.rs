//! What could go wrong with an account: it leaves out the reading everything turned on, it calls a damaged record
//! sound, it has no sentence for a rule.

use jiff::tz::TimeZone;
use serde_json::json;

use super::rules::rule;
use super::*;
use idlegate_guard::Reason;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_journal::{
    BootId, FileBackend, Found, Journal, JournalReader, Limits, Pace, Record, RecordKind, nobody_listens,
};
use idlegate_messages::from_json;
use idlegate_plan::event::Name;

fn found(seq: i64, after_ms: u64, kind: &str, body: serde_json::Value) -> Found {
    let wall = WallTime(1_795_615_391_000 + i64::try_from(after_ms).unwrap());
    Found {
        seq,
        boot: BootId::new("boot"),
        at: Now { moment: Moment(1_000_000 + after_ms), wall },
        kind: kind.into(),
        machine: Some("filament-printer".into()),
        body: body.to_string(),
        intact: true,
    }
}

fn held() -> Episode {
    let decision = json!({
        "input": "bench-button", "gesture": "press", "request": "off", "decision": "held", "reason": "machine-busy",
        "sentence": "Filament printer stays on: 118 W, busy above 40 W.", "state": "busy", "outlet": "on", "rules": "0123456789abcdef",
        "detectors": [{
            "detector": "power-threshold", "state": "busy", "reason": "118 W, busy above 40 W", "role": "hold",
            "readings": [{ "signal": "power", "value": 118.2, "unit": "W", "age_s": 0.8 }],
        }],
    });
    let forced = json!({ "input": "bench-button", "gesture": "long-press", "request": "force-off", "decision": "acted", "reason": "forced-in-window" });
    Episode {
        decision: found(7, 0, "decision", decision),
        followed: vec![
            found(8, 4_200, "decision", forced),
            found(
                9,
                4_200,
                "order",
                json!({ "switch": "off", "cause": "forced", "resend": 0, "not_sent": null }),
            ),
            found(10, 5_000, "outlet", json!({ "state": "off" })),
        ],
    }
}

#[test]
fn a_held_press_is_told_from_who_asked_to_what_followed() {
    let told = "\
Wednesday 2026-11-25 15:23:11, filament-printer
  bench-button asked for off (press).
  The outlet was on, and the machine counted as busy.
    power-threshold said busy: 118 W, busy above 40 W
      power 118.2 W, read 0.8 s earlier
  Decision: held (machine-busy). A busy machine stays on, and for a short time it can be forced off.
  \u{201c}Filament printer stays on: 118 W, busy above 40 W.\u{201d}
  Then:
    4.2 s later: bench-button asked for force-off (long-press): acted (forced-in-window)
    4.2 s later: the order off (forced) was sent
    5.0 s later: the outlet reported off
  Decided under the rules 0123456789ab.
";
    let zone = TimeZone::get("Europe/Berlin").unwrap();
    assert_eq!(words(&held(), &zone), told.replace("2026-11-25 15:23:11", &local_of_held()));
}

/// 1,795,615,391 s after 1970 by the library, so that this page needs no calendar of its own.
fn local_of_held() -> String {
    let instant = jiff::Timestamp::from_second(1_795_615_391).unwrap();
    TimeZone::get("Europe/Berlin").unwrap().to_datetime(instant).strftime("%Y-%m-%d %H:%M:%S").to_string()
}

#[test]
fn who_asked_is_told_while_the_name_is_on_record_and_nothing_made_of_it_later() {
    let with = |who: serde_json::Value| {
        let body = json!({ "input": "phone", "request": "off", "decision": "held", "reason": "machine-busy", "who": who });
        words(&Episode { decision: found(1, 0, "decision", body), followed: Vec::new() }, &TimeZone::UTC)
    };
    assert_eq!(
        with("Mara".into()).lines().nth(2),
        Some("  It was sent in the name of Mara, which nobody has checked.")
    );
    assert!(!with(serde_json::Value::Null).contains("name"));
}

#[test]
fn a_damaged_record_is_said_to_be_damaged() {
    let mut episode = held();
    episode.decision.intact = false;
    assert!(words(&episode, &TimeZone::UTC).contains("does not match its checksum"));
}

#[test]
fn nothing_a_sender_wrote_can_move_the_cursor() {
    let fault = json!({ "decision": "refused", "reason": "malformed", "input": "button", "fault": "\u{1b}[2J\u{9b}1m\nx\u{202e}" });
    let told =
        words(&Episode { decision: found(1, 0, "decision", fault), followed: Vec::new() }, &TimeZone::UTC);
    assert!(
        !told.replace('\n', "").chars().any(|letter| letter.is_control() || letter == '\u{202e}'),
        "{told:?}"
    );
    assert_eq!(told.lines().count(), 4, "{told}");
}

/// One press for the mill, the kiln and the saw at a second after the start of the journal, and what was said of all
/// three.
fn emergency_of_three() -> Vec<Record> {
    let at = |seconds: u64| Now {
        moment: Moment(seconds * 1_000),
        wall: WallTime(1_795_615_391_000 + i64::try_from(seconds * 1_000).unwrap()),
    };
    let of = |machine: &str, kind, seconds, body| {
        Record::new(kind, at(seconds), body).of(Name::new(machine).unwrap())
    };
    let decided =
        json!({ "input": "red", "request": "emergency-off", "decision": "acted", "reason": "emergency" });
    let said = |sentence: &str, input: &str, machines: &[&str]| json!({ "sentence": sentence, "input": input, "machines": machines });
    vec![
        of("mill", RecordKind::Decision, 1, decided.clone()),
        Record::new(RecordKind::Announcement, at(1), said("Three are off.", "red", &["mill", "kiln", "saw"])),
        Record::new(RecordKind::Announcement, at(1), said("Two were unlocked.", "panel", &["mill", "saw"])),
        of("kiln", RecordKind::Decision, 1, decided.clone()),
        of("saw", RecordKind::Decision, 1, decided),
        of("mill", RecordKind::Incident, 6, said("Mill and saw do not answer.", "red", &["mill", "saw"])),
        Record::new(RecordKind::Announcement, at(500), said("Much later.", "red", &["mill", "kiln", "saw"])),
    ]
}

#[test]
fn one_sentence_about_several_machines_is_told_with_each_of_them_once() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("journal.sqlite");
    let backend = FileBackend::new(file.clone(), Limits::default());
    let (journal, _) = Journal::start(Box::new(backend), Pace::default(), nobody_listens());
    emergency_of_three().into_iter().for_each(|record| journal.append(record));
    assert!(journal.close(Span::secs(20)));
    let reader = JournalReader::open(&file).unwrap();
    for (machine, sentences) in [
        ("mill", &["Three are off.", "Two were unlocked.", "Mill and saw do not answer."][..]),
        ("kiln", &["Three are off."]),
        ("saw", &["Three are off.", "Mill and saw do not answer."]),
    ] {
        let told = episodes(&reader, Some(&Name::new(machine).unwrap()), Which::Last(1)).unwrap();
        let said: Vec<_> = told[0].followed.iter().map(|record| record.body()["sentence"].clone()).collect();
        assert_eq!(said, sentences, "{machine}");
    }
}

#[test]
fn a_decision_is_shown_with_the_machines_file_of_then_without_secrets() {
    use idlegate_rules::{Folder, history};
    let dir = tempfile::tempdir().unwrap();
    let at = |seconds: i64| WallTime(1_795_615_391_000 + seconds * 1_000);
    let shop = "title = \"Shop\"\n";
    let mut digests = Vec::new();
    for (seconds, watts) in [(-60, 40), (60, 45), (120, 40)] {
        let machine = format!(
            "# By Mara\ntitle = \"Printer\"\n\n[[detectors]]\nuse = \"mine\"\n  busy_watts = {watts}\ntoken = \"canary\"\n"
        );
        let texts = [("machines/filament-printer.toml", machine.as_str()), ("shop.toml", shop)];
        let folder = Folder::from_texts(dir.path(), texts);
        history::keep(&folder, dir.path(), at(seconds)).unwrap();
        digests.push(folder.digest);
    }
    let kept = history::kept_rules(dir.path()).unwrap();
    let by = |rules: &str, after_ms| {
        let decision = found(1, after_ms, "decision", json!({ "decision": "held", "rules": rules }));
        rules_then(&Episode { decision, followed: Vec::new() }, &kept)
    };
    let first = by(&digests[0], 0).unwrap();
    assert_eq!((first.since, first.changed_since), (at(-60), false));
    assert_eq!(by(&digests[0], 500_000).unwrap().since, at(120));
    let second = by(&digests[1], 70_000).unwrap();
    assert!(second.changed_since && !second.text.contains("canary"), "{second:?}");
    let told = then_words(&second, &kept, &TimeZone::UTC);
    let (heading, text) = told.split_once('\n').unwrap();
    assert!(heading.ends_with("machines/filament-printer.toml said then, and does not any more:"), "{told}");
    let text_then = "    title = \"Printer\"\n    [[detectors]]\n    use = \"mine\"\n      busy_watts = 45\n    token = …\n";
    assert_eq!(text, text_then);
    assert_eq!(by("0123456789ab", 0), None, "as an older version may have written it");
    assert_eq!(by(&"0".repeat(64), 0), None);
}

#[test]
fn every_reason_has_its_rule() {
    for reason in Reason::ALL {
        assert!(rule(reason.word()).is_some_and(|rule| rule.ends_with('.')), "{}", reason.word());
    }
    assert_eq!(rule("from-a-later-version"), None);
}

#[test]
fn the_forecast_says_what_a_press_would_do() {
    let busy = json!({ "title": "Mill", "outlet": "on", "state": "busy", "reasons": ["800 W"], "clears_in_s": 130.4, "window_left_s": null });
    let lines = forecast(&from_json(&busy).unwrap());
    assert_eq!(lines[0], "Mill: its outlet is on, and it counts as busy: 800 W");
    assert!(
        lines[1].ends_with(
            "it would stay on, and could then be forced off; it is idle in 2 min 10 s at the earliest"
        ),
        "{}",
        lines[1]
    );
    assert!(lines[3].ends_with("asked a second time soon after, it would be switched off"));
    let open =
        json!({ "title": "Mill", "outlet": "on", "state": "unknown", "reasons": [], "window_left_s": 7.4 });
    assert!(forecast(&from_json(&open).unwrap())[3].ends_with("that is possible for another 7 s"));
    let off = json!({ "title": "Mill", "outlet": "off", "state": "unknown", "reasons": [], "locked_by": "red-button" });
    assert!(
        forecast(&from_json(&off).unwrap())
            .iter()
            .any(|line| line.ends_with("it would be refused: it is locked"))
    );
}
