//! What could go wrong while commissioning: a lamp that blinks is taken for the outlet, a counter for the draw, another
//! machine's button for this one's; rules are written that the guard refuses; a drill passes that did not happen.

use std::path::Path;

use super::known;
use super::*;
use crate::detectors::Execution;
use crate::event::Message;
use crate::rules::{Folder, Surroundings, SystemSecrets, compile};
use crate::service::Modules;
use crate::time::{Moment, Span};

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

fn window(from: u64, until: u64) -> Window {
    Window { from: Moment(from * 1_000), until: Moment(until * 1_000) }
}

/// On, off and on again, at 10, 20 and 30 s.
fn turns() -> [Turn; 3] {
    [(true, 10), (false, 20), (true, 30)].map(|(on, at)| Turn { on, window: window(at, at + 9) })
}

/// A workshop with more in it than the one outlet. `by_app`: the outlet is switched over the broker.
fn switched(by_app: bool) -> Log {
    let mut log = Log::default();
    let mut hear = |at: f64, topic: &str, payload: &str, retained: bool| {
        let at = std::time::Duration::from_secs_f64(at).as_millis();
        log.take(Moment(u64::try_from(at).unwrap()), &message(topic, payload, retained));
    };
    hear(0.0, "outlets/bench-1/says", r#"{"switch":"open","uptime":100}"#, true);
    hear(0.0, "lamps/hall", "on", true);
    for (on, at) in [(true, 11.0), (false, 21.0), (true, 31.0)] {
        if by_app {
            hear(at, "outlets/bench-1/order", if on { "on" } else { "off" }, false);
        }
        let position = if on { "closed" } else { "open" };
        let state = format!(r#"{{"switch":"{position}","uptime":{}}}"#, 100.0 + at);
        hear(at + 0.2, "outlets/bench-1/says", &state, false);
        // Somebody passes a motion detector each time, and the hall's lamp goes on and stays on.
        hear(at + 0.3, "lamps/hall", "on", false);
    }
    for second in 1..39 {
        let at = f64::from(second);
        let on = (11.2..21.2).contains(&at) || at > 31.2;
        let watts = if on { 31.2 + f64::from(second % 3) } else { 0.0 };
        hear(
            at,
            "meters/bench-1",
            &format!(r#"{{"watts":{watts},"joules":{}}}"#, 5_000 + second * 30),
            false,
        );
        hear(at, "weather", r#"{"temperature":21.5}"#, false);
    }
    log
}

#[test]
fn the_outlet_is_what_followed_every_turn() {
    let found = states(&switched(false), &turns());
    let expected = Place { pointer: Some("/switch".into()), ..Place::whole("outlets/bench-1/says") };
    assert_eq!(found, [State { place: expected, on: "closed".into(), off: "open".into() }]);
}

#[test]
fn the_order_is_what_came_before_the_outlet_changed() {
    let log = switched(true);
    let found = states(&log, &turns());
    assert_eq!(
        found[0].place.topic, "outlets/bench-1/says",
        "a state that the broker keeps goes before an order: {found:?}"
    );
    let order = Order { topic: "outlets/bench-1/order".into(), on: "on".into(), off: "off".into() };
    assert_eq!(orders(&log, &turns(), &found[0].place), [order]);
}

#[test]
fn an_outlet_switched_by_its_own_button_shows_no_order() {
    let log = switched(false);
    let found = states(&log, &turns());
    assert_eq!(orders(&log, &turns(), &found[0].place), []);
}

#[test]
fn the_draw_is_the_number_that_falls_with_the_outlet_and_no_counter() {
    let found = meters(&switched(false), &turns());
    assert_eq!(found[0].place.to_string(), "meters/bench-1 /watts");
    assert!(found.iter().all(|meter| !meter.place.to_string().contains("joules")), "{found:?}");
    assert!(found.iter().all(|meter| meter.place.topic != "weather"), "{found:?}");
}

#[test]
fn kilowatts_and_senml_are_understood() {
    let mut log = Log::default();
    log.take(Moment(1), &message("meters/mill", r#"{"kw":0.118}"#, false));
    log.take(Moment(1), &message("meters/kiln", r#"[{"bn":"kiln:","n":"power","u":"W","v":2000}]"#, false));
    let found = meters(&log, &[]);
    let kiln = found.iter().find(|meter| meter.place.topic == "meters/kiln").unwrap();
    assert_eq!((kiln.place.senml.as_deref(), kiln.latest), (Some("kiln:power"), 2_000.0));
    let mill = found.iter().find(|meter| meter.place.topic == "meters/mill").unwrap();
    assert_eq!((mill.scale, mill.latest), (1_000.0, 118.0));
}

#[test]
fn a_button_is_what_speaks_only_when_it_is_touched() {
    let mut log = Log::default();
    let mut hear =
        |at: u64, topic: &str, payload: &str| log.take(Moment(at * 1_000), &message(topic, payload, false));
    for at in 0..40 {
        hear(at, "meters/bench-1", "31");
    }
    hear(12, "buttons/bench", r#"{"button":"pressed","room":3}"#);
    hear(22, "buttons/bench", r#"{"button":"pressed","room":3}"#);
    hear(23, "buttons/bench", r#"{"button":"held down","room":3}"#);
    let found = buttons(&log, window(0, 9), window(10, 19), window(20, 29));
    let place = Place { pointer: Some("/button".into()), ..Place::whole("buttons/bench") };
    assert_eq!(
        found[0],
        Button { place, press: vec!["pressed".into()], long_press: vec!["held down".into()] }
    );
}

#[test]
fn a_pointer_finds_names_with_a_slash_and_a_tilde() {
    let mut log = Log::default();
    log.take(Moment(1), &message("x", r#"{"a/b":{"c~d":[7]}}"#, false));
    let (place, _) = log.tracks().find(|(place, _)| place.pointer.is_some()).unwrap();
    // RFC 6901, section 3.
    assert_eq!(place.pointer.as_deref(), Some("/a~1b/c~0d/0"));
    let value = crate::intake::decode_word(&place.path(), br#"{"a/b":{"c~d":[7]}}"#).unwrap();
    assert_eq!(value, "7", "the rules read it there, too");
}

fn notes() -> Notes {
    let place = |topic: &str, pointer: &str| Place { pointer: Some(pointer.into()), ..Place::whole(topic) };
    Notes {
        title: Some("The \"big\" mill".into()),
        outlet: Some(known::Outlet {
            place: place("outlets/mill", "/switch"),
            on: "true".into(),
            off: "false".into(),
        }),
        order: Some(known::Order {
            topic: "outlets/mill/order".into(),
            on: r#"{"switch":true}"#.into(),
            off: r#"{"switch":false}"#.into(),
            tried: false,
        }),
        meter: Some(known::Meter { place: place("meters/mill", "/kw"), scale: 1_000.0 }),
        limits: Some(known::Limits {
            busy_watts: 110.0,
            quiet_watts: 90.5,
            dwell: "2 min 50 s".into(),
            gap_max: None,
            idle_watts: Some(62.0),
            evidence: "measured".into(),
        }),
        button: Some(ButtonAnswer::One(known::Button {
            name: "mill-button".into(),
            place: Place::whole("buttons/mill"),
            press: vec!["1".into(), "2".into()],
            long_press: vec!["held down".into()],
            request: "off".into(),
        })),
        ..Notes::default()
    }
}

#[test]
fn what_is_written_is_what_the_guard_takes() {
    let notes = notes();
    let before = "# The bench.\n[inputs.bench]\ntopic = \"buttons/bench\"\nmachines = [\"mill\"]\n[inputs.bench.gestures]\npress = \"off\"\n";
    let machine = machine("mill", "2026-11-25", &notes).unwrap();
    let inputs = inputs(before, "mill", &notes).unwrap();
    assert!(inputs.starts_with(before), "what was there stays as it was:\n{inputs}");
    let shop = "title = \"Shop\"\n[broker]\nhost = \"127.0.0.1\"\n";
    let texts =
        [("shop.toml", shop), ("inputs.toml", inputs.as_str()), ("machines/mill.toml", machine.as_str())];
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let plan = compile(&Folder::from_texts(Path::new("shop"), texts), &around).unwrap().plan;
    let mill = &plan.machines[0];
    assert_eq!((mill.title.as_str(), mill.outlet.state.on.as_str()), ("The \"big\" mill", "true"));
    assert_eq!(mill.outlet.order.off, r#"{"switch":false}"#);
    let (_, button) = plan.input("mill-button").unwrap();
    assert_eq!(button.gestures.len(), 2);
    assert!(plan.input("console").is_some(), "without one nobody could ask from the command line");
}

#[test]
fn the_same_machine_a_second_time_changes_its_own_inputs_only() {
    let mut notes = notes();
    let once = inputs("", "mill", &notes).unwrap();
    if let Some(ButtonAnswer::One(button)) = &mut notes.button {
        button.request = "flip".into();
    }
    let twice = inputs(&once, "mill", &notes).unwrap();
    assert_eq!(once.replace("request = \"off\"", "request = \"flip\""), twice);
}

#[test]
fn what_is_missing_is_named() {
    let notes = Notes { meter: None, ..notes() };
    assert_eq!(machine("mill", "2026-11-25", &notes), Err(Missing("where its draw is reported")));
}

#[test]
fn notes_are_kept_until_another_day() {
    let dir = tempfile::tempdir().unwrap();
    let mut notebook = Notebook::open(dir.path(), "mill").unwrap();
    assert_eq!(notebook.notes, Notes::default());
    notebook.notes = notes();
    notebook.save().unwrap();
    assert_eq!(Notebook::open(dir.path(), "mill").unwrap().notes, notes());
    std::fs::write(notebook.path("json"), "{").unwrap();
    assert!(matches!(Notebook::open(dir.path(), "mill"), Err(NotebookError::Damaged { .. })));
}

#[test]
fn the_drill_is_judged_by_what_the_guard_says_of_this_machine() {
    let judged = |item: Item, topic: &str, payload: &str, retained: bool| {
        item.settled_by("idlegate", "mill", &message(topic, payload, retained)).map(|(outcome, _)| outcome)
    };
    let held = r#"{"machine":"mill","request":"off","decision":"held","sentence":"Mill stays on."}"#;
    assert_eq!(judged(Item::Held, "idlegate/decision", held, false), Some(Outcome::Passed));
    assert_eq!(
        judged(Item::Held, "idlegate/decision", held, true),
        None,
        "a stored one is no answer of today"
    );
    assert_eq!(judged(Item::Held, "other/decision", held, false), None);
    assert_eq!(judged(Item::Held, "idlegate/decision", &held.replace("mill\"", "kiln\""), false), None);
    let acted = held.replace("held", "acted");
    assert_eq!(judged(Item::Held, "idlegate/decision", &acted, false), Some(Outcome::Failed));
    let forced = r#"{"machine":"mill","decision":"acted","reason":"forced-in-window"}"#;
    assert_eq!(judged(Item::Forced, "idlegate/decision", forced, false), Some(Outcome::Passed));
    assert_eq!(
        judged(Item::Forced, "idlegate/decision", &forced.replace("forced-in-window", "emergency"), false),
        None
    );
    let other = r#"{"machine":"mill","kind":"off-by-another-route","over":false}"#;
    assert_eq!(judged(Item::OtherRoute, "idlegate/incident", other, false), Some(Outcome::Passed));
    let idle = r#"{"machine":"mill","state":"idle","outlet":"on","reasons":["12 W"]}"#;
    assert_eq!(judged(Item::SeenIdle, "idlegate/machine/mill", idle, true), Some(Outcome::Passed));
    assert_eq!(judged(Item::SeenBusy, "idlegate/machine/mill", idle, true), None);
}

#[test]
fn a_record_passes_only_with_every_item_passed() {
    let mut notes = notes();
    let tried =
        |item, outcome| Tried { item, outcome, at: "2026-11-25T10:00:00Z".into(), heard: "a | b".into() };
    notes.drill = Item::ALL.map(|item| tried(item, Outcome::Passed)).to_vec();
    let page = |notes: &Notes| {
        let page = Page {
            machine: "mill",
            at: "2026-11-25T10:00:00Z",
            by: "",
            notes,
            shadow: false,
            rules: "title = 1",
        };
        (page.passed(), page.to_markdown())
    };
    let (passed, text) = page(&notes);
    assert!(passed);
    assert!(
        text.contains("| a force inside the window switches it off | passed |") && text.contains("a / b"),
        "{text}"
    );
    assert!(text.contains("not an emergency stop") && text.contains("________"), "{text}");
    notes.drill.pop();
    let (passed, text) = page(&notes);
    assert!(!passed && text.contains("| not tried |"), "{text}");
}
