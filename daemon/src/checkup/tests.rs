//! What could go wrong: a stored order that will switch at the outlet's next start is overlooked, a meter that never counts is
//! called good, or a good workshop is called faulty.

use std::path::Path;

use super::*;
use crate::detectors::Execution;
use crate::event::Message;
use crate::plan::Plan;
use crate::rules::{Folder, Surroundings, SystemSecrets, compile};
use crate::service::Modules;
use crate::time::{Moment, Span};

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
    let mut watch = Watch::new(&plan, Moment(0));
    let filters = watch.filters();
    for (at, topic, payload, retained) in heard {
        assert!(filters.iter().any(|filter| crate::topic::matches(filter, topic)), "{topic} is subscribed");
        let payload = bytes::Bytes::copy_from_slice(payload.replace("DIGEST", &plan.digest).as_bytes());
        let (topic, retained, age) = ((*topic).into(), *retained, Span::ZERO);
        let message = Message {
            topic,
            payload,
            retained,
            proved: !retained,
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
    let mut watch = Watch::new(&plan, Moment(0));
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
