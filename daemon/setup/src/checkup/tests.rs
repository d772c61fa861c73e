//! What could go wrong: a stored order that will switch at the outlet's next start is overlooked, a meter that never
//! counts is called good, or a good workshop is called faulty.

use std::path::Path;

use super::*;
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::Plan;
use idlegate_plan::event::Message;
use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};

const MILL: &str = r#"
title = "Mill"
[outlet]
state = { topic = "outlets/mill", on = "on", off = "off" }
order = { topic = "outlets/mill/order", on = "on", off = "off" }
power = "power"
[signals.power]
topic = "meters/mill"
pointer = "/watts"
unit = "W"
stale_after = "10s"
[[detectors]]
use = "power-threshold"
settings = { busy_watts = 60, dwell = "3 min" }
"#;

fn plan() -> Plan {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let shop = "title = \"Shop\"\n[broker]\nhost = \"127.0.0.1\"\n";
    let inputs = "[inputs.button]\ntopic = \"buttons/mill\"\nmachines = [\"mill\"]\n[inputs.button.gestures]\npress = \"off\"\n\
                  [inputs.console]\nmachines = \"all\"\n";
    let texts = [("shop.toml", shop), ("inputs.toml", inputs), ("machines/mill.toml", MILL)];
    let folder = Folder::from_texts(Path::new("shop"), texts);
    compile(&folder, &Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK }).unwrap().plan
}

/// What is found after 20 s in which these were heard: second, topic, payload, stored.
fn found(heard: &[(u64, &str, &str, bool)]) -> Vec<String> {
    let plan = plan();
    let mut watch = TopicWatch::new(&plan, Moment(0));
    let filters = watch.filters();
    for (at, topic, payload, retained) in heard {
        assert!(
            filters.iter().any(|filter| idlegate_plan::topic::matches(filter, topic)),
            "{topic} is subscribed"
        );
        let payload = bytes::Bytes::copy_from_slice(payload.replace("DIGEST", &plan.digest).as_bytes());
        let (topic, retained, age) = ((*topic).into(), *retained, Span::ZERO);
        let message = Message {
            topic,
            payload,
            retained,
            proved: !retained,
            ours: false,
            age,
            response_topic: None,
            correlation: None,
        };
        watch.take(Moment(at * 1_000), &message);
    }
    watch.findings(Moment(20_000)).iter().map(Finding::to_words).collect()
}

const GUARD: (u64, &str, &str, bool) =
    (0, "idlegate/health", r#"{"guard":"guarding","rules":"DIGEST","journal":"ok"}"#, true);

#[test]
fn a_sound_workshop_is_called_good() {
    let found = found(&[
        GUARD,
        (0, "outlets/mill", "on", true),
        (1, "meters/mill", r#"{"watts":12}"#, false),
        (9, "meters/mill", r#"{"watts":13}"#, false),
    ]);
    assert_eq!(
        found,
        [
            "good  guard: running with these rules",
            "good  mill: the outlet is on",
            "good  mill/power: 2 readings in 20 s",
        ]
    );
}

#[test]
fn what_is_stored_at_the_broker_is_a_fault() {
    let found = found(&[
        GUARD,
        (0, "buttons/mill", "off", true),
        (0, "outlets/mill/order", "off", true),
        (0, "idlegate/request/console", "{}", true),
    ]);
    let faults: Vec<&str> = found.iter().filter_map(|line| line.strip_prefix("fault ")).collect();
    for begin in [
        "buttons/mill: an old request is stored at the broker",
        "outlets/mill/order: an old order is stored at the broker",
        "idlegate/request/console: an old request is stored at the broker",
    ] {
        assert!(faults.iter().any(|fault| fault.starts_with(begin)), "{begin}: {faults:#?}");
    }
}

#[test]
fn a_meter_that_never_counts_is_told_with_its_reason() {
    for (readings, told) in [
        (&[][..], "silent: nothing came on meters/mill in 20 s"),
        (
            &[(0, "meters/mill", r#"{"watts":12}"#, true)][..],
            "only stored readings came; nobody knows how old they are, so they never count",
        ),
        (&[(1, "meters/mill", r#"{"power":12}"#, false)][..], "what comes on meters/mill is not a reading"),
        (
            &[
                (1, "meters/mill", r#"{"watts":12}"#, false),
                (2, "meters/mill", r#"{"watts":"0,048"}"#, false),
                (3, "meters/mill", r#"{"volts":230}"#, false),
                (4, "meters/mill", r#"{"watts":12}"#, false),
            ][..],
            r#"1 of 3 messages could not be read: what the meter says is no number: "0,048""#,
        ),
        (
            &[(1, "meters/mill", r#"{"watts":12}"#, false), (15, "meters/mill", r#"{"watts":12}"#, false)][..],
            "14 s passed between two readings, but it counts as missing after 10 s",
        ),
    ] {
        let found = found(readings);
        let line = found.iter().find(|line| line.contains("mill/power")).unwrap();
        assert!(line.starts_with("fault") && line.contains(told), "{line}");
    }
}

#[test]
fn an_outlet_that_is_silent_or_not_understood_is_a_fault() {
    assert!(found(&[])[1].starts_with("fault mill: the state of its outlet is not known"));
    let odd = found(&[(0, "outlets/mill", "closed", true)]);
    assert!(odd[1].contains(r#""closed" is neither "on" nor "off""#), "{odd:#?}");
}

#[test]
fn orders_without_a_guard_come_past_it() {
    let past = found(&[(1, "outlets/mill/order", "off", false)]);
    assert!(
        past.iter().any(|line| line.contains("its outlet was sent 1 order, but no guard is running")),
        "{past:#?}"
    );
    let guarded = found(&[GUARD, (1, "outlets/mill/order", "off", false)]);
    assert!(!guarded.iter().any(|line| line.contains("no guard is running")), "{guarded:#?}");
}

#[test]
fn senders_that_have_everything_stored_are_sound_where_the_rules_say_so() {
    let mut plan = plan();
    plan.machines[0].signals[0].sender_stores = true;
    plan.inputs.iter_mut().for_each(|input| input.sender_stores = true);
    let mut watch = TopicWatch::new(&plan, Moment(0));
    let watts = r#"{"watts":12}"#;
    for (at, topic, payload) in
        [(1, "buttons/mill", "off"), (1, "meters/mill", watts), (9, "meters/mill", watts)]
    {
        let (topic, payload) = (topic.into(), bytes::Bytes::from_static(payload.as_bytes()));
        let (response_topic, correlation) = (None, None);
        let message = Message {
            topic,
            payload,
            retained: true,
            proved: true,
            ours: false,
            age: Span::ZERO,
            response_topic,
            correlation,
        };
        watch.take(Moment(at * 1_000), &message);
    }
    let found: Vec<String> = watch.findings(Moment(20_000)).iter().map(Finding::to_words).collect();
    assert!(found.contains(&"good  mill/power: 2 readings in 20 s".to_owned()), "{found:#?}");
    assert!(!found.iter().any(|line| line.contains("stored at the broker")), "{found:#?}");
}

#[test]
fn answers_that_were_withheld_are_told_with_who_asked() {
    let health = r#"{"guard":"guarding","rules":"DIGEST","journal":"ok","answers_withheld":{"count":3,"input":"console",
        "topic":"outlets/mill/order","why":"is one that the rules read, order or refresh"}}"#;
    let found = found(&[(0, "idlegate/health", health, true)]);
    let told = "fault console: 3 answers withheld since the guard started: the last one was to go to outlets/mill/order";
    assert!(found[1].starts_with(told), "{found:#?}");
}

/// What is found of the power of a mill whose outlet measures it, after two minutes.
fn of_power(rules: &str, heard: &[(u64, &str, &str)]) -> String {
    let mut plan = plan();
    let machine = &mut plan.machines[0];
    machine.outlet.state.as_mut().unwrap().source.filter = "outlets/mill/says".into();
    machine.signals[0].source.filter = "outlets/mill/watts".into();
    machine.signals[0].source.path = idlegate_plan::ValuePath::Whole;
    if !rules.is_empty() {
        let source = idlegate_plan::Source { filter: rules.into(), path: idlegate_plan::ValuePath::Whole };
        let sign = idlegate_plan::LifeSign::Topic { source, gone: None };
        let alive = idlegate_plan::Alive { sign, silent_max: Span::secs(60), sender_stores: false };
        let on_change = idlegate_plan::OnChange { alive: Some(alive), refresh: None };
        machine.signals[0].reports = idlegate_plan::Reports::OnChange(on_change);
    }
    let mut watch = TopicWatch::new(&plan, Moment(0));
    for (at, topic, payload) in heard {
        let payload = bytes::Bytes::copy_from_slice(payload.as_bytes());
        let (retained, proved, response_topic, correlation) = (false, true, None, None);
        let topic = (*topic).into();
        let age = Span::ZERO;
        watch.take(
            Moment(at * 1_000),
            &Message { topic, payload, retained, proved, age, response_topic, correlation, ours: false },
        );
    }
    let found = watch.findings(Moment(120_000));
    found.iter().find(|finding| finding.about == "mill/power").unwrap().to_words()
}

#[test]
fn a_meter_that_speaks_only_when_its_value_changes_is_told_by_what_goes_on_beside_its_silence() {
    let says = (0..12).map(|at| (at * 10, "outlets/mill/says", "on"));
    let beside = |watts: &[(u64, &'static str)]| -> Vec<(u64, &'static str, &'static str)> {
        let watts = watts.iter().map(|(at, watts)| (*at, "outlets/mill/watts", *watts));
        let mut heard: Vec<_> = says.clone().chain(watts).collect();
        heard.sort_by_key(|(at, ..)| *at);
        heard
    };
    let found = of_power("", &beside(&[(3, "12"), (40, "455"), (41, "12")]));
    assert!(
        found.starts_with("fault mill/power: its meter seems to speak only when its value changes"),
        "{found}"
    );
    let remedy = r#"reports = "on-change" and alive = { topic = "outlets/mill/says", silent_max = "30 s" }"#;
    assert!(found.contains(remedy), "{found}");
    let steady = (0..12).map(|at| (at * 10 + 1, "12")).collect::<Vec<_>>();
    assert!(of_power("", &beside(&steady)).starts_with("good"));
    let alone = of_power("", &[(3, "outlets/mill/watts", "12"), (40, "outlets/mill/watts", "455")]);
    assert!(!alone.contains("seems to speak"), "nothing shows that it was there: {alone}");

    let sound = of_power("outlets/mill/says", &beside(&[(3, "12"), (41, "455")]));
    assert_eq!(sound, "good  mill/power: 2 readings and 12 signs of life in 2 min");
    let lost = of_power("outlets/mill/up", &beside(&[(3, "12")]));
    assert!(lost.starts_with("fault mill/power: its meter gave no sign of life in 2 min"), "{lost}");
    let silent = of_power("outlets/mill/says", &beside(&[]));
    assert!(silent.starts_with("note  mill/power: no reading came in 2 min"), "{silent}");
}

#[test]
fn a_broker_that_forgets_what_it_was_given_is_a_fault() {
    let health = r#"{"guard":"guarding","rules":"DIGEST","journal":"ok","broker_forgets":true}"#;
    let found = found(&[(0, "idlegate/health", health, true)]);
    assert!(found[1].starts_with("fault broker: it came back without what it had stored"), "{found:#?}");
}
