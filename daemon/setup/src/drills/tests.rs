//! What could go wrong with drills: a machine counts as tried whose outlet is another since, what somebody skipped
//! counts as passed, or a workshop that never does any is nagged for ever.

use std::path::Path;

use super::*;
use crate::commission::{DrillOutcome, Item, Tried};
use idlegate_detectors::{Execution, Modules};
use idlegate_guard::time::WallTime;
use idlegate_plan::text::rfc3339;
use idlegate_plan::{MachineIx, Plan};
use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};

const SHOP: &str = "[broker]\nhost = \"127.0.0.1\"\n";
const MILL: &str = r#"
title = "Mill"
[outlet]
state = { topic = "outlets/mill/says" }
order = { topic = "outlets/mill/order" }
[signals.power]
topic = "meters/mill"
unit = "W"
[[detectors]]
use = "power-threshold"
settings = { busy_watts = 100, quiet_watts = 50, dwell = "3 min" }
[guard]
drill_every = "180d"
"#;
const INPUTS: &str = r#"
[inputs.button]
topic = "buttons/mill"
machines = ["mill"]
may_force = true
gestures = { press = "off", long-press = "force-off" }
[inputs.red-button]
contact = { topic = "contacts/red" }
emergency = true
machines = "all"
[inputs.console]
machines = "all"
may_unlock = true
"#;
const DAY_MS: i64 = 86_400_000;
const MILL_IX: MachineIx = MachineIx(0);

fn plan(mill: &str, inputs: &str) -> Plan {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let texts = [("shop.toml", SHOP), ("inputs.toml", inputs), ("machines/mill.toml", mill)];
    let folder = Folder::from_texts(Path::new("shop"), texts);
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::CHECK };
    let compiled = compile(&folder, &around);
    compiled.unwrap_or_else(|problems| panic!("{problems:?}")).plan
}

fn day(day: i64) -> WallTime {
    WallTime(1_795_000_000_000 + day * DAY_MS)
}

/// Everything tried on this day, under these rules.
fn all(plan: &Plan, tried_on: i64, outcome: DrillOutcome) -> Drills {
    let mut drills = Drills::default();
    for item in applicable(plan, MILL_IX) {
        let tried = Tried { item, outcome, at: rfc3339(day(tried_on)), heard: "heard".to_owned() };
        drills.put(LastTry {
            tried,
            by: String::new(),
            shadow: false,
            under: Fingerprints::of(plan, MILL_IX),
        });
    }
    drills
}

fn said(plan: &Plan, drills: &Drills, today: i64) -> Option<String> {
    due_in_words(plan, MILL_IX, drills, &due(plan, MILL_IX, drills, day(today)))
}

#[test]
fn a_drill_is_due_after_its_time_and_after_every_change_that_matters() {
    let before = plan(MILL, INPUTS);
    let passed = all(&before, 0, DrillOutcome::Passed);
    assert_eq!(said(&before, &passed, 179), None);
    let late = "its drill is due: it was done last on 2026-11-18, and it is to be done every 180 d";
    assert_eq!(said(&before, &passed, 180).as_deref(), Some(late));
    for (mill, inputs, changed) in [
        (MILL.replace("outlets/mill/order", "outlets/new/order"), INPUTS.to_owned(), Some("its outlet")),
        (
            MILL.replace("busy_watts = 100", "busy_watts = 120"),
            INPUTS.to_owned(),
            Some("a detector or a signal of it"),
        ),
        (MILL.replace("meters/mill", "meters/new"), INPUTS.to_owned(), Some("a detector or a signal of it")),
        (MILL.replace("[guard]", "[guard]\nwindow = \"20s\""), INPUTS.to_owned(), Some("its rules")),
        (MILL.to_owned(), INPUTS.replace("press = \"off\"", "press = \"flip\""), Some("its rules")),
        (MILL.to_owned(), INPUTS.replace("buttons/mill", "buttons/new"), Some("its rules")),
        // A comment, a title and what is set to its default change nothing.
        (format!("# seen\n{MILL}").replace("\"Mill\"", "\"Big mill\""), INPUTS.to_owned(), None),
        (MILL.replace("[guard]", "[guard]\nwindow = \"10s\""), INPUTS.to_owned(), None),
    ] {
        let after = plan(&mill, &inputs);
        let expected = changed.map(|what| format!("its drill is due: {what} has changed since it was tried"));
        assert_eq!(said(&after, &passed, 1), expected, "{mill} {inputs}");
    }
}

#[test]
fn what_was_skipped_or_failed_or_only_tried_in_shadow_stays_due() {
    let plan = plan(MILL, INPUTS);
    let due_items = |drills: &Drills| due(&plan, MILL_IX, drills, day(1)).len();
    let everything = applicable(&plan, MILL_IX).len();
    assert_eq!(everything, Item::ALL.len());
    for outcome in [DrillOutcome::NotTried, DrillOutcome::Failed] {
        assert_eq!(due_items(&all(&plan, 0, outcome)), everything, "{outcome:?}");
    }
    let mut shadow = all(&plan, 0, DrillOutcome::Passed);
    shadow.tries.iter_mut().for_each(|last| last.shadow = true);
    assert_eq!(due_items(&shadow), everything);
    let mut most = all(&plan, 0, DrillOutcome::Passed);
    most.tries.retain(|last| last.tried.item != Item::MeterSilent);
    assert_eq!(
        said(&plan, &most, 1).as_deref(),
        Some(
            "its drill is due: not tried: when its meter falls silent, the guard no longer counts it as idle"
        )
    );
}

#[test]
fn who_skips_an_item_takes_nothing_back_and_gains_nothing() {
    let plan = plan(MILL, INPUTS);
    let mut drills = all(&plan, 0, DrillOutcome::Passed);
    for last in all(&plan, 1, DrillOutcome::NotTried).tries {
        drills.put(last);
    }
    assert_eq!(said(&plan, &drills, 2), None, "what passed yesterday has passed");
    assert!(said(&plan, &drills, 180).is_some(), "and is as old as it is");
    let mut failed = all(&plan, 0, DrillOutcome::Failed);
    for last in all(&plan, 1, DrillOutcome::NotTried).tries {
        failed.put(last);
    }
    assert!(said(&plan, &failed, 2).unwrap().contains("failed the last time"));
}

#[test]
fn whoever_never_does_a_drill_and_sets_no_time_hears_nothing_of_it() {
    let without = plan(&MILL.replace("drill_every", "# drill_every"), INPUTS);
    assert_eq!(said(&without, &Drills::default(), 1_000), None);
    let with = plan(MILL, INPUTS);
    assert_eq!(said(&with, &Drills::default(), 0).as_deref(), Some("its drill is due: it was never done"));
    // Once it was done, a change makes it due all the same.
    let passed = all(&without, 0, DrillOutcome::Passed);
    assert_eq!(said(&without, &passed, 1_000), None);
    let changed = plan(&MILL.replace("drill_every", "# ").replace("mill/order", "new/order"), INPUTS);
    assert!(said(&changed, &passed, 1).is_some());
}

#[test]
fn only_what_can_be_tried_is_in_a_drill() {
    let plan = plan(MILL, "[inputs.console]\nmachines = \"all\"\n");
    let items = applicable(&plan, MILL_IX);
    for item in [Item::Forced, Item::Emergency, Item::Unlocked] {
        assert!(!items.contains(&item), "{item:?}");
    }
    assert!(items.contains(&Item::Held));
    assert_eq!(ways(&plan, MILL_IX, Item::Held).len(), 1);
}

#[test]
fn a_book_is_found_again_and_a_damaged_one_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let plan = plan(MILL, INPUTS);
    let mut book = DrillBook::open(dir.path(), "mill").unwrap();
    book.drills = all(&plan, 0, DrillOutcome::Passed);
    book.save().unwrap();
    assert_eq!(DrillBook::open(dir.path(), "mill").unwrap().drills, book.drills);
    std::fs::write(dir.path().join("commissioning/mill.drills.json"), "{").unwrap();
    assert!(DrillBook::open(dir.path(), "mill").unwrap_err().to_string().contains("every drill is due"));
}

#[test]
fn the_page_says_of_what_was_skipped_that_it_was_not_tried() {
    let plan = plan(MILL, INPUTS);
    let tried = [
        Tried {
            item: Item::IdleOff,
            outcome: DrillOutcome::Passed,
            at: rfc3339(day(0)),
            heard: "Mill is being switched off".to_owned(),
        },
        Tried {
            item: Item::Held,
            outcome: DrillOutcome::NotTried,
            at: rfc3339(day(0)),
            heard: String::new(),
        },
    ];
    let page = DrillRecord {
        machine: "mill",
        title: "Mill",
        at: "2026-11-30T18:00:00Z",
        by: "Mara",
        rules: &plan.digest,
        shadow: false,
        tried: &tried,
        applicable: &applicable(&plan, MILL_IX),
    };
    let page = page.to_markdown();
    assert_eq!(page.matches("| passed |").count(), 1, "{page}");
    assert_eq!(page.matches("| not tried |").count(), Item::ALL.len() - 1, "{page}");
}
