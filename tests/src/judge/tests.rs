//! What could go wrong: the judge lets a cut machine pass, accuses a guard that was right, or secretly shares a mistake
//! with what it judges because it uses the same code.

use std::path::{Path, PathBuf};

use super::*;

const PRESS: Duration = Duration::from_secs(1_000);

fn secs(secs: u64) -> At {
    At::from_secs(secs)
}

fn mill() -> Machine {
    Machine {
        name: "mill".to_owned(),
        busy_watts: 100.0,
        quiet_watts: 50.0,
        dwell: secs(60),
        silence_max: secs(30),
        unseen_max: secs(40),
        order_lasts: secs(5),
        order_repeats: secs(5),
        window: secs(10),
    }
}

/// A judge who has heard these readings before the press, which are seconds before it and watts; rubbish has none.
fn having_heard(readings: impl IntoIterator<Item = (u64, Option<f64>)>) -> Judge {
    let mut judge = Judge::new(vec![mill()], Tolerance::default());
    for (before, watts) in readings {
        let at = PRESS - secs(before);
        judge.delivered(at, 0, false, &[(at, watts.map_or(Says::Rubbish, Says::Watts))]);
    }
    judge
}

fn quiet(from: u64, to: u64) -> impl Iterator<Item = (u64, Option<f64>)> {
    (to..=from).rev().step_by(10).map(|before| (before, Some(3.0)))
}

/// What the judge finds when a plain off is sent now.
fn found(mut judge: Judge) -> Option<Fault> {
    judge.sent(PRESS, 0, Order::Off);
    judge.received(PRESS + secs(1), 0, PRESS);
    judge.tally().findings.first().map(|finding| finding.fault)
}

#[test]
fn only_a_whole_dwell_of_idle_readings_speaks_for_a_plain_off() {
    assert_eq!(found(having_heard(quiet(60, 0))), None);
    assert_eq!(found(having_heard(quiet(50, 0))), Some(Fault::NeverIdle));
    assert_eq!(found(having_heard(quiet(100, 90).chain(quiet(50, 0)))), Some(Fault::NeverIdle), "a silence");
    assert_eq!(found(having_heard([])), Some(Fault::NeverIdle));
}

#[test]
fn whatever_shows_work_or_cannot_be_read_counts_until_a_whole_dwell_has_followed() {
    for (against, fault) in [(Some(455.0), Fault::WorkShown), (None, Fault::Unreadable)] {
        assert_eq!(found(having_heard(quiet(200, 10).chain([(5, against)]))), Some(fault));
        let then_quiet = |since| quiet(200, 110).chain([(105, against)]).chain(quiet(since, 0));
        assert_eq!(found(having_heard(then_quiet(50))), Some(fault));
        assert_eq!(found(having_heard(then_quiet(100))), None);
    }
    assert_eq!(
        found(having_heard(quiet(200, 10).chain([(5, Some(70.0))]))),
        None,
        "neither one nor the other"
    );
}

#[test]
fn every_record_of_a_message_counts_in_the_order_in_which_they_were_measured() {
    let mut judge = having_heard(quiet(200, 10));
    let record = |before, watts| (PRESS - secs(before), Says::Watts(watts));
    judge.delivered(PRESS, 0, false, &[record(1, 3.0), record(4, 455.0), record(3, 455.0), record(2, 3.0)]);
    assert_eq!(found(judge), Some(Fault::WorkShown));
    // A dwell may come in one message.
    let mut judge = having_heard([]);
    let records: Vec<_> = (0..=6).map(|nth| record(nth * 10, 3.0)).collect();
    judge.delivered(PRESS, 0, false, &records);
    assert_eq!(found(judge), None);
    // What comes long after it was measured, and after a whole dwell of newer readings, says nothing of now.
    let mut judge = having_heard(quiet(200, 0));
    judge.delivered(PRESS, 0, false, &[record(300, 455.0)]);
    assert_eq!(found(judge), None);
}

#[test]
fn nothing_from_before_an_outage_and_nothing_out_of_a_store_counts() {
    let mut judge = having_heard(quiet(200, 0));
    judge.link_lost(PRESS);
    assert_eq!(found(judge), Some(Fault::LinkLost));
    let mut judge = Judge::new(vec![mill()], Tolerance::default());
    for nth in 0..20 {
        let at = PRESS - secs(200 - nth * 10);
        judge.delivered(at, 0, true, &[(at, Says::Watts(3.0))]);
    }
    assert_eq!(found(judge), Some(Fault::NeverIdle));
}

#[test]
fn a_force_explains_an_off_only_as_the_second_of_two_gestures_and_an_emergency_always() {
    let after = |asks: &[(u64, Ask)]| {
        let mut judge = having_heard([(5, Some(455.0))]);
        for (before, ask) in asks {
            judge.asked(PRESS - secs(*before), 0, *ask);
        }
        judge.sent(PRESS, 0, Order::Off);
        judge.tally().findings.len()
    };
    assert_eq!(after(&[(0, Ask::Force)]), 1, "the first gesture");
    assert_eq!(after(&[(4, Ask::Plain), (0, Ask::Force)]), 0);
    assert_eq!(after(&[(11, Ask::Plain), (0, Ask::Force)]), 1, "the window is over");
    assert_eq!(after(&[(6, Ask::Plain), (4, Ask::Force)]), 1, "long ago");
    assert_eq!(after(&[(4, Ask::Plain), (0, Ask::Plain)]), 1);
    assert_eq!(after(&[(0, Ask::Emergency)]), 0);
}

#[test]
fn an_order_may_be_repeated_but_not_for_ever_and_not_after_an_on() {
    let forced = || {
        let mut judge = having_heard([(5, Some(455.0))]);
        judge.asked(PRESS - secs(2), 0, Ask::Plain);
        judge.asked(PRESS, 0, Ask::Force);
        judge
    };
    let mut judge = forced();
    (0..9).for_each(|nth| judge.sent(PRESS + secs(5 * nth), 0, Order::Off));
    assert_eq!((judge.tally().forced, judge.tally().plain), (5, 4));
    let mut judge = forced();
    judge.sent(PRESS, 0, Order::Off);
    judge.sent(PRESS + secs(2), 0, Order::On);
    judge.sent(PRESS + secs(4), 0, Order::Off);
    assert_eq!(judge.tally().findings.len(), 1);
}

#[test]
fn a_machine_at_work_is_excused_only_for_what_nobody_could_have_known() {
    let cut = |works_since: At, arrives: At, heard_since: bool| {
        let mut judge = having_heard(quiet(200, 100));
        judge.truth(works_since, 0, true);
        if heard_since {
            judge.delivered(PRESS, 0, false, &[(PRESS, Says::Watts(3.0))]);
        }
        judge.sent(PRESS, 0, Order::Off);
        judge.received(arrives, 0, PRESS);
        let tally = judge.tally().clone();
        (tally.findings.first().map(|finding| finding.fault), tally.excuses.keys().next().copied())
    };
    let soon = PRESS + secs(1);
    assert_eq!(cut(PRESS - secs(5), soon, false), (None, Some(Excuse::Unseen)));
    assert_eq!(cut(PRESS - secs(90), soon, false), (Some(Fault::Dark), None));
    assert_eq!(cut(PRESS - secs(90), soon, true), (None, Some(Excuse::Lied)));
    assert_eq!(cut(PRESS + Duration::from_millis(200), soon, false), (None, Some(Excuse::OnItsWay)));
    assert_eq!(cut(PRESS + secs(3), PRESS + secs(60), false), (Some(Fault::Late), None));
}

#[test]
fn what_crosses_an_order_on_the_way_is_excused_and_counted() {
    let crossing = Tolerance { crossing: Duration::from_millis(50), dwell: Duration::ZERO };
    let tally = |before: u64| {
        let mut judge = having_heard(quiet(200, 10));
        judge.tolerance = crossing;
        let at = PRESS - Duration::from_millis(before);
        judge.delivered(at, 0, false, &[(at, Says::Watts(455.0))]);
        judge.sent(PRESS, 0, Order::Off);
        (judge.tally().findings.len(), judge.tally().excused(Excuse::Crossed))
    };
    assert_eq!(tally(40), (0, 1));
    assert_eq!(tally(60), (1, 0));
}

#[test]
fn an_excuse_needed_too_often_is_told_and_so_is_a_scene_that_put_nothing_to_the_test() {
    let limits = Limits { unseen: 10.0, lied: 0.0, on_its_way: 100.0, crossed: 0.0, free: 0, plain_min: 10 };
    let tally = |plain, unseen, lied| {
        let excuses = [(Excuse::Unseen, unseen), (Excuse::Lied, lied)].into();
        Tally { plain, excuses, ..Tally::default() }
    };
    assert_eq!(tally(100, 10, 0).excessive(&limits), Vec::<String>::new());
    assert_eq!(tally(100, 11, 0).excessive(&limits).len(), 1);
    assert_eq!(tally(100, 0, 1).excessive(&limits).len(), 1);
    assert_eq!(tally(9, 0, 0).excessive(&limits).len(), 1);
}

/// Every file of the judge.
fn own_files() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/judge");
    let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    files.filter(|file| file.extension().is_some_and(|ending| ending == "rs")).collect()
}

#[test]
fn the_judge_uses_nothing_of_what_it_judges() {
    let files = own_files();
    assert!(files.len() >= 4, "{files:?}");
    // Put together here, or this file would accuse itself.
    let guard =
        ["idle", "power_"].iter().zip(["gate", "threshold"]).map(|(one, other)| format!("{one}{other}"));
    let scenes = ["simulation", "shop", "drills"].iter().map(|word| format!("crate::{word}"));
    let forbidden: Vec<String> = guard.chain(scenes).collect();
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        let code = text.lines().filter(|line| !line.trim_start().starts_with("//"));
        for line in code {
            let strange = forbidden.iter().find(|word| line.contains(*word));
            assert_eq!(strange, None, "{}: {line}", file.display());
        }
    }
}
