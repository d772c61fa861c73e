// What could go wrong in the workshop: a stray reading warns, or lets go; a sensor that fell silent passes for good air;
// the limits are taken the wrong way round.

use idlegate_detector::Verdict::{self, Busy, Idle, Unknown};
use idlegate_detector::testing::Trial;
use proptest::prelude::*;

use super::*;

/// Solvent in the air of a spray booth, read every ten seconds.
const AIR: &str = r#"{ "more_than": 500, "lasting": "1 min", "gap_max": "30 s", "unit": "ppb" }"#;

/// Values ten seconds apart, and the verdict after the last of them.
#[track_caller]
fn after(settings: &str, values: &[f64], verdict: Verdict, reason: &str) {
    let mut trial = Trial::<Level>::new(settings).unwrap();
    let mut at = 0;
    for (number, &value) in (0_u64..).zip(values) {
        at = number * 10_000;
        trial.observe(&Reading::number(0, Millis(at), value));
    }
    let said = trial.assess(Millis(at));
    assert_eq!((said.verdict, said.reason.as_str()), (verdict, reason));
}

#[test]
fn it_is_busy_when_it_has_lasted_and_idle_when_it_has_been_within_for_as_long() {
    after(AIR, &[], Unknown, "no reading yet");
    after(AIR, &[480.0; 6], Unknown, "480 ppb, not above 500 ppb for 50 s, idle after 1 min");
    after(AIR, &[480.0; 7], Idle, "480 ppb, not above 500 ppb for 1 min");
    after(AIR, &[612.0; 6], Unknown, "612 ppb, above 500 ppb for 50 s, busy after 1 min");
    after(AIR, &[612.0; 7], Busy, "612 ppb, above 500 ppb for 1 min");
    after(AIR, &[500.0; 7], Idle, "500 ppb, not above 500 ppb for 1 min");
}

#[test]
fn a_stray_reading_neither_warns_nor_lets_go() {
    let stray = [vec![480.0; 7], vec![612.0]].concat();
    after(AIR, &stray, Unknown, "612 ppb, above 500 ppb for 0 s, busy after 1 min");
    after(AIR, &[stray, vec![480.0]].concat(), Idle, "480 ppb, not above 500 ppb for 0 s");
    let gap = [vec![612.0; 7], vec![480.0; 2]].concat();
    after(AIR, &gap, Busy, "480 ppb, not above 500 ppb for 10 s, idle after 1 min");
    after(AIR, &[gap, vec![612.0]].concat(), Busy, "612 ppb, above 500 ppb for 0 s");
}

#[test]
fn below_and_outside_are_beyond_too() {
    let flow = r#"{ "less_than": 1.5, "lasting": "20 s", "unit": "l/s" }"#;
    after(flow, &[1.2; 3], Busy, "1.2 l/s, below 1.5 l/s for 20 s");
    after(flow, &[1.5; 3], Idle, "1.5 l/s, not below 1.5 l/s for 20 s");
    let room = r#"{ "less_than": 18, "more_than": 24, "lasting": "20 s", "unit": "Cel" }"#;
    after(room, &[21.0; 3], Idle, "21 °C, between 18 and 24 °C for 20 s");
    after(room, &[12.0, 12.0, 30.0], Busy, "30 °C, above 24 °C for 20 s");
    let someone = r#"{ "more_than": 0.5, "lasting": "20 s" }"#;
    after(someone, &[1.0; 3], Busy, "1, above 0.5 for 20 s");
}

#[test]
fn silence_and_gaps_are_doubt() {
    let mut trial = Trial::<Level>::new(AIR).unwrap();
    for at in [0, 30, 60] {
        trial.observe(&Reading::number(0, Millis(at * 1_000), 480.0));
    }
    assert_eq!(trial.assess(Millis(90_000)).verdict, Idle);
    let silent = trial.assess(Millis(90_001));
    assert_eq!((silent.verdict, silent.reason.as_str()), (Unknown, "no reading for 30 s"));
    trial.observe(&Reading::number(0, Millis(90_001), 480.0));
    let begun_anew = trial.assess(Millis(90_001));
    assert_eq!((begun_anew.verdict, begun_anew.clears_in), (Unknown, Some(Span::from_mins(1))));
}

#[test]
fn settings_that_make_no_sense_are_refused_with_place_fault_and_remedy() {
    for (settings, wanted) in [
        (r#"{ "lasting": "30 s" }"#, "more_than is missing, and so is less_than: give at least one of them"),
        (
            r#"{ "more_than": 10, "less_than": 10 }"#,
            "less_than is 10, and more_than is 10: every value is beyond",
        ),
        (r#"{ "more_than": 10, "lasting": "0 s" }"#, "lasting is 0 s: give a time that no single stray"),
        (r#"{ "more_than": 10, "gap_max": "2 min" }"#, "gap_max is 2 min, and lasting is 1 min: give more"),
        (r#"{ "more_than": 10, "unit": "parts per billion" }"#, "unit is no unit: give the code"),
    ] {
        let said = Trial::<Level>::new(settings).unwrap_err().to_string();
        assert!(said.starts_with(wanted), "{said}");
    }
}

/// The same rules told from the whole record at once: the newest stretch of at least `lasting` on one side counts, and one
/// that was in order only as long as nothing is missing since then.
fn told_from_the_whole_record(record: &[(u64, f64)], now: u64) -> Verdict {
    const LASTING: u64 = 60_000;
    const GAP: u64 = 30_000;
    let beyond = |value: f64| !(18.0..=24.0).contains(&value);
    let whole = |from: usize, to: usize| {
        record[from..=to].windows(2).all(|two| two[1].0 >= two[0].0 && two[1].0 - two[0].0 <= GAP)
    };
    let Some(last) = record.len().checked_sub(1) else { return Unknown };
    if now.saturating_sub(record[last].0) > GAP {
        return Unknown;
    }
    for to in (0..=last).rev() {
        let lasted = (0..=to).any(|from| {
            let one_side = record[from..=to].iter().all(|each| beyond(each.1) == beyond(record[to].1));
            one_side && whole(from, to) && record[to].0 - record[from].0 >= LASTING
        });
        if !lasted {
            continue;
        }
        if beyond(record[to].1) {
            return Busy;
        }
        return if whole(to, last) && !beyond(record[last].1) { Idle } else { Unknown };
    }
    Unknown
}

proptest! {
    #[test]
    fn any_record_gives_what_the_whole_of_it_gives(
        steps in prop::collection::vec((-5_000_i64..35_000, prop::sample::select(vec![17.0, 18.0, 21.0, 24.0, 25.0])), 0..40),
        wait in 0_u64..40_000,
    ) {
        let settings = r#"{ "less_than": 18, "more_than": 24, "lasting": "60 s", "gap_max": "30 s" }"#;
        let mut trial = Trial::<Level>::new(settings).unwrap();
        let (mut at, mut latest) = (1_000_000_i64, 0);
        let mut record = Vec::new();
        for (step, value) in steps {
            at += step;
            latest = u64::try_from(at).unwrap();
            trial.observe(&Reading::number(0, Millis(latest), value));
            record.push((latest, value));
        }
        let verdict = trial.assess(Millis(latest + wait)).verdict;
        prop_assert_eq!(verdict, told_from_the_whole_record(&record, latest + wait));
    }
}
