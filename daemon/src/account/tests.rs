//! What could go wrong with an account: it leaves out the reading everything turned on, it calls a damaged record sound, it
//! has no sentence for a rule.

use jiff::tz::TimeZone;
use serde_json::json;

use super::rules::rule;
use super::*;
use crate::guard::Reason;
use crate::journal::{BootId, Found};
use crate::time::{Moment, Now, WallTime};

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
    let lines = forecast(&busy);
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
    assert!(forecast(&open)[3].ends_with("that is possible for another 7 s"));
    let off = json!({ "title": "Mill", "outlet": "off", "state": "unknown", "reasons": [], "locked_by": "red-button" });
    assert!(forecast(&off).iter().any(|line| line.ends_with("it would be refused: it is locked")));
}
