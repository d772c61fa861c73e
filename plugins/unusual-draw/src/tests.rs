// What could go wrong in the workshop: a kiln whose contactor has welded heats on and nobody hears it; a mill behind a
// blown fuse looks like one that rests; and people are told so often of what is usual that they no longer listen.

use idlegate_detector::Verdict::{self, Busy, Idle, Unknown};
use idlegate_detector::testing::Trial;
use proptest::prelude::*;

use super::*;

/// Draws or the machine's own state, ten seconds apart from each other and from what came before.
struct Shift {
    trial: Trial<UnusualDraw>,
    secs: u64,
}

impl Shift {
    fn with(settings: &str) -> Shift {
        Shift { trial: Trial::new(settings).unwrap(), secs: 0 }
    }

    fn draws(&mut self, watts: f64, for_secs: u64) -> &mut Shift {
        for _ in 0..for_secs / 10 {
            self.secs += 10;
            self.trial.observe(&Reading::number(POWER, Millis(self.secs * 1_000), watts));
        }
        self
    }

    fn is(&mut self, state: &str) -> &mut Shift {
        self.trial.observe(&Reading::text(STATE, Millis(self.secs * 1_000), state));
        self
    }

    fn waits(&mut self, secs: u64) -> &mut Shift {
        self.secs += secs;
        self
    }

    #[track_caller]
    fn says(&mut self, verdict: Verdict, reason: &str) -> &mut Shift {
        let said = self.trial.assess(Millis(self.secs * 1_000));
        assert_eq!((said.verdict, said.reason.as_str()), (verdict, reason), "after {} s", self.secs);
        self
    }
}

const KILN: &str = r#"{ "on_watts": 1000, "on_longest": "9 min", "on_longer_than": "25 min", "does": "heated",
    "higher_than_watts": 3450, "highest_watts": 3000 }"#;
const MILL: &str =
    r#"{ "nothing_watts": 6, "draws_within": "40 s", "dead_after": "30 s", "work_watts": 100 }"#;

#[test]
fn a_heater_that_never_rests_is_told_when_it_has_gone_on_for_too_long_and_over_when_it_rests() {
    let mut kiln = Shift::with(KILN);
    kiln.says(Unknown, "no reading yet");
    kiln.draws(3_000.0, 540).draws(4.0, 60).says(Idle, "4 W, nothing unusual");
    kiln.draws(3_000.0, 1_500).says(Idle, "3000 W, nothing unusual");
    kiln.draws(3_000.0, 10)
        .says(Busy, "it has heated without a pause for 25 min; never more than 9 min before");
    kiln.draws(3_000.0, 7_200);
    kiln.says(Busy, "it has heated without a pause for 2 h 25 min; never more than 9 min before");
    kiln.draws(4.0, 10).says(Idle, "4 W, nothing unusual");
}

#[test]
fn what_it_does_while_it_is_on_need_not_be_said() {
    let mut pump = Shift::with(r#"{ "on_watts": 40, "on_longer_than": "5 min" }"#);
    pump.draws(60.0, 310).says(Busy, "it has drawn more than 40 W without a pause for 5 min");
}

#[test]
fn three_high_readings_in_a_row_are_told_once_and_stray_ones_never() {
    let mut kiln = Shift::with(KILN);
    for _ in 0..20 {
        kiln.draws(3_000.0, 30).draws(3_900.0, 20).says(Idle, "3900 W, nothing unusual");
    }
    kiln.draws(3_000.0, 10).draws(3_900.0, 30).says(Busy, "it draws 3900 W; never more than 3000 W before");
    // A heater goes on and off, and is not told of each time.
    kiln.draws(4.0, 300).draws(4_000.0, 30).draws(4.0, 590);
    kiln.says(Busy, "it draws 4000 W; never more than 3000 W before");
    kiln.draws(4.0, 10).says(Idle, "4 W, nothing unusual");
    kiln.draws(3_450.0, 60).says(Idle, "3450 W, nothing unusual");
}

#[test]
fn no_draw_after_a_switch_on_is_told_until_it_draws() {
    let mut mill = Shift::with(MILL);
    mill.draws(0.0, 60).is("off").says(Idle, "it is switched off");
    mill.draws(0.0, 600).says(Idle, "it is switched off");
    mill.is("idle").draws(0.0, 30).says(Idle, "0 W, nothing unusual");
    mill.draws(0.0, 10);
    mill.says(Busy, "it was switched on 40 s ago and draws nothing: plug, fuse or its own switch");
    mill.draws(12.0, 10)
        .says(Idle, "12 W, nothing unusual")
        .draws(0.0, 600)
        .says(Idle, "0 W, nothing unusual");
    mill.is("off")
        .draws(0.0, 30)
        .is("unknown")
        .draws(12.0, 10)
        .draws(0.0, 600)
        .says(Idle, "0 W, nothing unusual");
}

#[test]
fn no_switch_on_is_seen_where_none_was() {
    // It was on when the guard started; its state is not known for a while; its meter was silent.
    let mut mill = Shift::with(MILL);
    mill.is("idle").draws(0.0, 600).says(Idle, "0 W, nothing unusual");
    mill.is("unknown").draws(0.0, 600).is("idle").draws(0.0, 600).says(Idle, "0 W, nothing unusual");
    mill.is("off").draws(0.0, 60).waits(3_600).draws(0.0, 10).is("idle").draws(0.0, 600);
    mill.says(Idle, "0 W, nothing unusual");
    // But of one whose meter is silent while it is off.
    mill.is("off").waits(3_600).is("idle").draws(0.0, 40);
    mill.says(Busy, "it was switched on 40 s ago and draws nothing: plug, fuse or its own switch");
}

#[test]
fn no_draw_straight_after_work_is_told_until_it_draws_or_is_off() {
    let mut mill = Shift::with(MILL);
    mill.is("busy").draws(12.0, 60).draws(800.0, 300).draws(0.0, 30).says(Idle, "0 W, nothing unusual");
    mill.draws(0.0, 10);
    mill.says(Busy, "it went dead in the middle of its work and has drawn nothing for 30 s");
    mill.draws(0.0, 3_600);
    mill.says(Busy, "it went dead in the middle of its work and has drawn nothing for 1 h");
    mill.is("off").says(Idle, "it is switched off");
    // It rested long before it drew nothing.
    mill.is("idle").draws(12.0, 60).draws(800.0, 300).draws(12.0, 1_000).draws(0.0, 600);
    mill.says(Idle, "0 W, nothing unusual");
    // Its outlet went off, and took the draw with it.
    mill.draws(800.0, 300).draws(0.0, 20).is("off").draws(0.0, 600).says(Idle, "it is switched off");
}

#[test]
fn work_that_ends_too_soon_is_told_until_it_works_again() {
    let settings = r#"{ "work_watts": 50, "pause_max": "2 min", "work_shorter_than": "20 min", "work_shortest": "48 min" }"#;
    let mut washer = Shift::with(settings);
    // It may have begun long before.
    washer.draws(400.0, 300).draws(1.0, 300).says(Idle, "1 W, nothing unusual");
    washer
        .draws(400.0, 400)
        .draws(1.0, 110)
        .draws(400.0, 400)
        .draws(1.0, 120)
        .says(Idle, "1 W, nothing unusual");
    washer.draws(1.0, 10).says(Busy, "it stopped after 15 min of work; never less than 48 min before");
    washer.draws(1.0, 86_400).says(Busy, "it stopped after 15 min of work; never less than 48 min before");
    washer.draws(400.0, 10).says(Idle, "400 W, nothing unusual");
    washer.draws(400.0, 1_200).draws(1.0, 300).says(Idle, "1 W, nothing unusual");
    // Somebody switched it off: that is no wonder.
    washer
        .draws(400.0, 300)
        .is("off")
        .draws(0.0, 300)
        .is("idle")
        .draws(1.0, 300)
        .says(Idle, "1 W, nothing unusual");
}

#[test]
fn silence_and_gaps_are_doubt_and_what_was_not_seen_does_not_count() {
    let mut kiln = Shift::with(KILN);
    kiln.draws(3_000.0, 1_200).waits(61).says(Unknown, "no reading for 1 min 1 s");
    kiln.draws(3_000.0, 1_500).says(Idle, "3000 W, nothing unusual");
    kiln.draws(3_000.0, 10)
        .says(Busy, "it has heated without a pause for 25 min; never more than 9 min before");
}

#[test]
fn settings_that_do_not_fit_are_refused_in_words() {
    let refused = |settings: &str| Trial::<UnusualDraw>::new(settings).unwrap_err().to_string();
    for (settings, told) in [
        (
            "{}",
            "the settings watch nothing: give at least one of higher_than_watts, on_longer_than, work_shorter_than, \
                dead_after and draws_within; idlegate calibrate --unusual works them out",
        ),
        (
            r#"{ "on_longer_than": "5 min" }"#,
            "on_watts is missing, and on_longer_than needs it: give watts above zero, such as 40",
        ),
        (
            r#"{ "dead_after": "5 min", "work_watts": 4 }"#,
            "nothing_watts is missing, and dead_after needs it: give watts above zero, such as 40",
        ),
        (r#"{ "higher_than_watts": -3 }"#, "higher_than_watts is -3: give watts above zero, such as 40"),
        (
            r#"{ "higher_than_watts": 300, "highest_watts": 310 }"#,
            "higher_than_watts would warn of what is usual by highest_watts: give a limit beyond it",
        ),
        (
            r#"{ "work_watts": 9, "work_shorter_than": "9 min", "work_shortest": "8 min" }"#,
            "work_shorter_than would warn of what is usual by work_shortest: give a limit beyond it",
        ),
        (
            r#"{ "higher_than_watts": 300, "does": " " }"#,
            "does is not a word or two: give what it has done while it was on, such as \"heated\"",
        ),
        (
            r#"{ "work_watts": 9, "nothing_watts": 10, "dead_after": "8 min" }"#,
            "nothing_watts is more than work_watts: give less than work_watts",
        ),
        (r#"{ "on_watts": 9, "on_longer_than": "0 s" }"#, "on_longer_than is 0 s: give at least 1 s"),
    ] {
        assert_eq!(refused(settings), told);
    }
}

proptest! {
    /// Told from the whole record at once: how long it has been above the level without a gap or a step back.
    #[test]
    fn stuck_on_is_what_the_whole_record_shows(
        steps in prop::collection::vec((-2_000_i64..35_000, prop::sample::select(vec![0.0, 999.0, 1_001.0, 3_000.0])), 1..60),
    ) {
        let settings = r#"{ "on_watts": 1000, "on_longer_than": "1 min", "gap_max": "30 s" }"#;
        let mut trial = Trial::<UnusualDraw>::new(settings).unwrap();
        let (mut at, mut record) = (1_000_000_i64, Vec::new());
        for (step, watts) in steps {
            at += step;
            let latest = u64::try_from(at).unwrap();
            trial.observe(&Reading::number(POWER, Millis(latest), watts));
            record.push((latest, watts));
        }
        let (latest, _) = record[record.len() - 1];
        let whole = |part: &[(u64, f64)]| {
            part.iter().all(|(_, watts)| *watts > 1_000.0)
                && part.windows(2).all(|two| two[1].0 >= two[0].0 && two[1].0 - two[0].0 <= 30_000)
        };
        let stuck = (0..record.len()).any(|from| whole(&record[from..]) && latest - record[from].0 >= 60_000);
        prop_assert_eq!(trial.assess(Millis(latest)).verdict, if stuck { Busy } else { Idle });
    }
}
