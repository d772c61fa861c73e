//! What could go wrong while commissioning: a lamp that blinks is taken for the outlet, a counter for the draw, another
//! machine's button for this one's; rules are written that the guard refuses; a drill passes that did not happen.

use std::path::Path;

use super::finding::silent;
use super::known;
use super::*;
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::Control;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Message;
use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};

pub(super) fn message(topic: &str, payload: &str, retained: bool) -> Message {
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
    let expected =
        FieldPlace { pointer: Some("/switch".into()), ..FieldPlace::whole("outlets/bench-1/says") };
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
    let place = FieldPlace { pointer: Some("/button".into()), ..FieldPlace::whole("buttons/bench") };
    assert_eq!(
        found[0],
        Button { place, press: vec!["pressed".into()], long_press: vec!["held down".into()], flagged: false }
    );
}

#[test]
fn a_pointer_finds_names_with_a_slash_and_a_tilde() {
    let mut log = Log::default();
    log.take(Moment(1), &message("x", r#"{"a/b":{"c~d":[7]}}"#, false));
    let (place, _) = log.tracks().find(|(place, _)| place.pointer.is_some()).unwrap();
    // RFC 6901, section 3.
    assert_eq!(place.pointer.as_deref(), Some("/a~1b/c~0d/0"));
    let value = idlegate_engine::intake::decode_word(&place.path(), br#"{"a/b":{"c~d":[7]}}"#).unwrap();
    assert_eq!(value, "7", "the rules read it there, too");
}

fn notes() -> Notes {
    let place =
        |topic: &str, pointer: &str| FieldPlace { pointer: Some(pointer.into()), ..FieldPlace::whole(topic) };
    Notes {
        title: Some("The \"big\" mill".into()),
        outlet: Some(known::Outlet {
            place: place("outlets/mill", "/switch"),
            on: "true".into(),
            off: "false".into(),
            reach: None,
        }),
        order: Some(known::Order {
            topic: "outlets/mill/order".into(),
            on: r#"{"switch":true}"#.into(),
            off: r#"{"switch":false}"#.into(),
            tried: false,
        }),
        meter: Some(known::Meter::new(place("meters/mill", "/kw"), 1_000.0)),
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
            place: FieldPlace::whole("buttons/mill"),
            press: vec!["1".into(), "2".into()],
            long_press: vec!["held down".into()],
            request: "off".into(),
            sender_stores: false,
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
    let (state, order) = (mill.outlet.state.as_ref().unwrap(), mill.outlet.order.as_ref().unwrap());
    assert_eq!((mill.title.as_str(), state.on.as_str()), ("The \"big\" mill", "true"));
    assert_eq!(order.off, r#"{"switch":false}"#);
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
fn a_machine_that_is_only_watched_or_never_off_is_written_so_and_has_no_button() {
    let watched = plan_of(&Notes { watched: true, ..notes() });
    assert_eq!(watched.machines[0].policy.control, Control::Watched);
    assert!(watched.machines[0].outlet.order.is_none() && watched.input("mill-button").is_none());
    assert_eq!(plan_of(&Notes { watched: true, order: None, ..notes() }).machines[0].outlet.order, None);
    let never_off = plan_of(&Notes { never_off: true, ..notes() });
    assert_eq!(never_off.machines[0].policy.control, Control::NeverOff);
    assert!(never_off.machines[0].outlet.order.is_some() && never_off.input("mill-button").is_none());
    let usual = plan_of(&notes());
    assert_eq!(usual.machines[0].policy.control, Control::Full);
    let nobody_said = Notes { order: None, ..notes() };
    assert_eq!(machine("mill", "2026-11-25", &nobody_said), Err(Missing("where the outlet takes orders")));
}

/// Whatever would switch it is neither tried nor missing.
#[test]
fn the_record_of_a_watched_machine_is_complete_once_it_was_seen_idle_and_working() {
    let tried = |item| Tried { item, outcome: DrillOutcome::Passed, at: String::new(), heard: String::new() };
    let drill = vec![tried(Item::SeenIdle), tried(Item::SeenBusy)];
    for (watched, never_off) in [(true, false), (false, true), (false, false)] {
        let notes = Notes { watched, never_off, drill: drill.clone(), ..notes() };
        let record = CommissioningRecord {
            machine: "mill",
            at: "2026-11-25T10:00:00Z",
            by: "Mara",
            notes: &notes,
            shadow: false,
            rules: "",
        };
        assert_eq!(record.passed(), watched || never_off);
        let page = record.to_markdown();
        assert_eq!(page.contains("only watched"), watched);
        assert_eq!(page.contains("| Control | never off"), never_off);
        assert_eq!(
            page.contains("pull its plug") || page.contains(Item::Forced.claim()),
            !watched && !never_off
        );
    }
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
    assert_eq!(judged(Item::Held, "idlegate/decision", held, false), Some(DrillOutcome::Passed));
    assert_eq!(
        judged(Item::Held, "idlegate/decision", held, true),
        None,
        "a stored one is no answer of today"
    );
    assert_eq!(judged(Item::Held, "other/decision", held, false), None);
    assert_eq!(judged(Item::Held, "idlegate/decision", &held.replace("mill\"", "kiln\""), false), None);
    let acted = held.replace("held", "acted");
    assert_eq!(judged(Item::Held, "idlegate/decision", &acted, false), Some(DrillOutcome::Failed));
    let forced = r#"{"machine":"mill","decision":"acted","reason":"forced-in-window"}"#;
    assert_eq!(judged(Item::Forced, "idlegate/decision", forced, false), Some(DrillOutcome::Passed));
    assert_eq!(
        judged(Item::Forced, "idlegate/decision", &forced.replace("forced-in-window", "emergency"), false),
        None
    );
    let other = r#"{"machine":"mill","kind":"off-by-another-route","over":false}"#;
    assert_eq!(judged(Item::OtherRoute, "idlegate/incident", other, false), Some(DrillOutcome::Passed));
    let idle = r#"{"machine":"mill","state":"idle","outlet":"on","reasons":["12 W"]}"#;
    assert_eq!(judged(Item::SeenIdle, "idlegate/machine/mill", idle, true), Some(DrillOutcome::Passed));
    assert_eq!(judged(Item::SeenBusy, "idlegate/machine/mill", idle, true), None);
    let blind = idle.replace("\"idle\"", "\"unknown\"");
    assert_eq!(judged(Item::MeterSilent, "idlegate/machine/mill", &blind, false), Some(DrillOutcome::Passed));
    assert_eq!(judged(Item::MeterSilent, "idlegate/machine/mill", idle, false), None);
    let emergency = forced.replace("forced-in-window", "emergency");
    assert_eq!(judged(Item::Emergency, "idlegate/decision", &emergency, false), Some(DrillOutcome::Passed));
    assert_eq!(judged(Item::Emergency, "idlegate/decision", forced, false), None);
    let unlocked = forced.replace("forced-in-window", "unlocked");
    assert_eq!(judged(Item::Unlocked, "idlegate/decision", &unlocked, false), Some(DrillOutcome::Passed));
    let others = forced.replace("forced-in-window", "lock-lifted");
    assert_eq!(judged(Item::Unlocked, "idlegate/decision", &others, false), None, "somebody else holds it");
}

#[test]
fn a_record_passes_only_with_every_item_passed() {
    let mut notes = notes();
    let tried =
        |item, outcome| Tried { item, outcome, at: "2026-11-25T10:00:00Z".into(), heard: "a | b".into() };
    notes.drill = Item::FIRST.map(|item| tried(item, DrillOutcome::Passed)).to_vec();
    let page = |notes: &Notes| {
        let page = CommissioningRecord {
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

/// One value from this payload at "power", and what the rules say of it.
fn meter_of(payloads: &[&str]) -> Option<Meter> {
    let mut log = Log::default();
    for (second, payload) in (1..).zip(payloads) {
        log.take(Moment(second * 1_000), &message("meters/mill/power", payload, false));
    }
    meters(&log, &[]).into_iter().next()
}

/// Every form that the guard reads, and none that it does not: what is taken for the draw here is read there as the
/// same.
#[test]
fn whatever_the_guard_can_read_is_found_and_the_rules_say_how() {
    for (payloads, watts, with_unit, comma, words) in [
        (&["31", "118.2"][..], 118.2, false, false, &[][..]),
        (&["118.2 W"], 118.2, true, false, &[]),
        (&["0.048 kW"], 48.0, true, false, &[]),
        (&["0,048", "1,5"], 1.5, false, true, &[]),
        (&["0,5 kW"], 500.0, true, true, &[]),
        (&[r#"{"power":{"now":["118.2 W"]}}"#], 118.2, true, false, &[]),
        (&[r#"{"power":"0,5"}"#], 0.5, false, true, &[]),
        (&["standby", "118"], 118.0, false, false, &["standby"]),
        (
            &[r#"[{"n":"power","u":"kW","v":0.118},{"n":"power","u":"kW","t":-1,"v":0.1}]"#],
            118.0,
            true,
            false,
            &[],
        ),
    ] {
        let found = meter_of(payloads).unwrap_or_else(|| panic!("{payloads:?}"));
        let words: Vec<String> = words.iter().map(|word| (*word).to_owned()).collect();
        assert_eq!(
            (found.with_unit, found.comma, &found.words),
            (with_unit, comma, &words),
            "{payloads:?}: {found:?}"
        );
        let words = words.into_iter().map(|word| (word, 2.5)).collect();
        let meter =
            known::Meter { decimal_comma: comma, words, ..known::Meter::new(found.place, found.scale) };
        let plan = plan_of(&Notes { meter: Some(meter.clone()), ..notes() });
        let signal = &plan.machines[0].signals[0];
        for rules in [&meter.signal(), signal] {
            let read =
                idlegate_engine::signals::read(rules, payloads[payloads.len() - 1].as_bytes()).unwrap();
            let value = &read.last().unwrap().value;
            assert_eq!(*value, idlegate_plan::event::Value::Number(watts), "{payloads:?}");
        }
    }
    for payloads in [&["230 V"][..], &["1,234.5"], &["1.5", "1,5"], &["working", "idle"], &["12-3"]] {
        let found = meter_of(payloads);
        assert!(found.is_none(), "{payloads:?}: {found:?}");
    }
}

fn plan_of(notes: &Notes) -> idlegate_plan::Plan {
    let machine = machine("mill", "2026-11-25", notes).unwrap();
    let inputs = inputs("", "mill", notes).unwrap();
    let shop = "title = \"Shop\"\n[broker]\nhost = \"127.0.0.1\"\n";
    let texts =
        [("shop.toml", shop), ("inputs.toml", inputs.as_str()), ("machines/mill.toml", machine.as_str())];
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    compile(&Folder::from_texts(Path::new("shop"), texts), &around).unwrap_or_else(|it| panic!("{it:?}")).plan
}

#[test]
fn what_its_sender_does_otherwise_is_written_into_the_rules() {
    let alive = known::Alive {
        place: FieldPlace::whole("meters/mill/uptime"),
        silent_max: "1 min 30 s".into(),
        gone: None,
        reach: false,
    };
    let mut notes = notes();
    let meter = known::Meter {
        decimal_comma: true,
        words: vec![("standby".into(), 2.5), ("two words".into(), 0.0)],
        sender_stores: true,
        alive: Some(alive),
        ..notes.meter.clone().unwrap()
    };
    notes.meter = Some(meter);
    if let Some(ButtonAnswer::One(button)) = &mut notes.button {
        button.sender_stores = true;
    }
    let plan = plan_of(&notes);
    let signal = &plan.machines[0].signals[0];
    assert!(signal.sender_stores && plan.input("mill-button").unwrap().1.sender_stores);
    assert_eq!(signal.silent_max(), Span::secs(90));
    assert!(signal.alive().is_some());
    let read =
        |payload: &str| idlegate_engine::signals::read(signal, payload.as_bytes()).unwrap()[0].value.clone();
    assert_eq!(read(r#"{"kw":"0,5"}"#), idlegate_plan::event::Value::Number(500.0));
    assert_eq!(read(r#"{"kw":"standby"}"#), idlegate_plan::event::Value::Number(2.5));
}

#[test]
fn a_live_message_with_the_retain_flag_is_told_from_a_stored_one() {
    let mut log = Log::default();
    let flagged = |payload: &str| Message { proved: true, ..message("buttons/mill", payload, true) };
    log.take(Moment(1_000), &message("buttons/mill", "press", true));
    log.take(Moment(12_000), &flagged("press"));
    log.take(Moment(22_000), &flagged("held"));
    let found = buttons(&log, window(2, 9), window(10, 19), window(20, 29));
    assert!(found[0].flagged && found[0].press == ["press"] && found[0].long_press == ["held"], "{found:?}");
    let stored = log.seen(&FieldPlace::whole("buttons/mill")).map(Seen::flagged).collect::<Vec<_>>();
    assert_eq!(stored, [false, true, true]);
}

#[test]
fn a_meter_that_speaks_only_when_its_value_changes_is_recognised_with_what_goes_on_beside_it() {
    let mut log = Log::default();
    for second in (0..=120).step_by(10) {
        log.take(Moment(second * 1_000), &message("plugs/bench-1/uptime", &second.to_string(), false));
        log.take(Moment(second * 1_000), &message("weather/hall", "21", false));
        log.take(Moment(second * 1_000), &message("plugs/bench-1/stored", "1", true));
    }
    for (second, watts) in [(1, "31"), (2, "0"), (60, "31")] {
        log.take(Moment(second * 1_000), &message("plugs/bench-1/watts", watts, false));
    }
    let place = FieldPlace::whole("plugs/bench-1/watts");
    let found = silent(&log, &place, Moment(125_000)).unwrap();
    assert_eq!((found.readings, found.silence), (3, Span::secs(65)));
    assert_eq!(found.signs, [("plugs/bench-1/uptime".to_owned(), Span::secs(30))]);
    log.take(Moment(121_000), &message("plugs/bench-1/watts", "31", false));
    assert_eq!(silent(&log, &place, Moment(125_000)), None, "it says the same again");
}

#[test]
fn a_slow_meter_and_one_whose_outlet_says_whether_it_is_there_are_written_as_the_guard_takes_them() {
    let mut notes = notes();
    notes.meter.as_mut().unwrap().stale_after_secs = Some(180);
    assert_eq!(plan_of(&notes).machines[0].signals[0].stale_after, Span::secs(180));

    let place = FieldPlace::whole("outlets/mill/reach");
    let outlet = notes.outlet.as_mut().unwrap();
    outlet.reach = Some(known::Reach { place: place.clone(), yes: "here".into(), no: "away".into() });
    let (silent_max, gone) = ("1 min 30 s".to_owned(), Some("away".to_owned()));
    let meter = notes.meter.as_mut().unwrap();
    meter.stale_after_secs = None;
    meter.alive = Some(known::Alive { place, silent_max, gone, reach: true });
    let plan = plan_of(&notes);
    let mill = &plan.machines[0];
    assert_eq!(mill.outlet.reach.as_ref().unwrap().off, "away");
    assert_eq!(mill.signals[0].alive().unwrap().sign, idlegate_plan::LifeSign::Reach);
}

/// Its detector takes a silence of more than a minute for a gap, after which the dwell begins anew.
#[test]
fn the_pauses_of_a_slow_meter_are_no_gaps() {
    let gap_max = |notes: &Notes| {
        let settings = plan_of(notes).machines[0].detectors[idlegate_plan::DetectorIx(0)].settings.clone();
        settings.get("gap_max").map(|gap| gap.as_str().unwrap().to_owned())
    };
    let mut notes = notes();
    assert_eq!(gap_max(&notes), None);
    notes.meter.as_mut().unwrap().stale_after_secs = Some(190);
    notes.limits.as_mut().unwrap().dwell = "3 min 10 s".into();
    assert_eq!(gap_max(&notes).as_deref(), Some("3 min 10 s"));
    notes.limits.as_mut().unwrap().dwell = "2 min".into();
    assert_eq!(gap_max(&notes).as_deref(), Some("2 min"), "its detector accepts none longer than the dwell");
    notes.limits.as_mut().unwrap().gap_max = Some("1 min 40 s".into());
    assert_eq!(gap_max(&notes).as_deref(), Some("1 min 40 s"), "what was measured");
}

#[test]
fn an_outlet_that_is_on_before_anybody_listens_and_stores_nothing_is_found() {
    let mut log = Log::default();
    for (second, state) in [(21, "0"), (31, "1")] {
        log.take(Moment(second * 1_000), &message("strip", &format!(r#"{{"a":{state},"b":1}}"#), false));
    }
    let place = FieldPlace { pointer: Some("/a".into()), ..FieldPlace::whole("strip") };
    assert_eq!(states(&log, &turns()), [State { place, on: "1".into(), off: "0".into() }]);
}

#[test]
fn what_answers_a_button_is_not_the_button() {
    let mut log = Log::default();
    let mut hear =
        |at: u64, topic: &str, payload: &str| log.take(Moment(at), &message(topic, payload, false));
    // A lamp that a hub switches at each press, and something that chatters.
    for (at, lamp, button) in [(12_000, "lit", "short"), (22_000, "dark", "long")] {
        hear(at, "buttons/left", button);
        hear(at + 90, "a/lamp", lamp);
        hear(at + 100, "a/motion", button);
        hear(at + 200, "a/motion", lamp);
    }
    hear(5_000, "a/motion", "none");
    let found = buttons(&log, window(0, 9), window(10, 19), window(20, 29));
    assert_eq!(found[0].place, FieldPlace::whole("buttons/left"), "{found:?}");
    assert_eq!(found[2].place, FieldPlace::whole("a/motion"), "{found:?}");
}
