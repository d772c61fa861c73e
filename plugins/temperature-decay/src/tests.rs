// What could go wrong in the workshop: a bed is cut while it heats from cold; a sensor that dropped off passes for a
// part that cooled; someone is told "12 minutes" and it takes forty; noise at the limit makes the verdict flap.

use idlegate_detector::Verdict::{self, Busy, Idle, Unknown};
use idlegate_detector::testing::{Recording, Run, Trial, run};
use idlegate_detector::{Assessment, Millis, Reading, Span};

use super::TemperatureDecay;
use super::newton::{self, Sample};

const BED: &str = r#"{ "safe_below": 50, "ambient": 20 }"#;

fn follow(settings: &str, readings: impl IntoIterator<Item = (u64, f64)>) -> Run {
    let numbers = readings.into_iter().map(|(secs, cel)| (secs * 1_000, cel));
    run::<TemperatureDecay>(settings, &Recording::of_numbers(numbers)).unwrap()
}

fn last(run: &Run) -> &Assessment {
    &run.steps.last().unwrap().assessment
}

#[track_caller]
fn after(readings: impl IntoIterator<Item = (u64, f64)>, verdict: Verdict, reason: &str) {
    let run = follow(BED, readings);
    assert_eq!((last(&run).verdict, last(&run).reason.as_str()), (verdict, reason));
}

/// A reading every ten seconds.
fn steady(from: u64, to: u64, cel: f64) -> impl Iterator<Item = (u64, f64)> + Clone {
    (from..=to).step_by(10).map(move |secs| (secs, cel))
}

/// A part that cools after Newton's law, with noise that repeats from run to run.
fn cooling(from_cel: f64, ambient: f64, rate: f64, noise: f64) -> impl Iterator<Item = (u64, f64)> {
    let mut seed = 1_u32;
    (0..).step_by(10).zip((0..).map(move |index| {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let chance = f64::from(seed >> 8) / f64::from(1 << 24) - 0.5;
        ambient + (from_cel - ambient) * (-rate * 10.0 * f64::from(index)).exp() + 2.0 * noise * chance
    }))
}

#[test]
fn hot_is_busy_at_once() {
    after([(0, 61.2)], Busy, "61.2 °C, safe below 50 °C");
    after([(0, 50.0)], Busy, "50 °C, safe below 50 °C");
}

#[test]
fn cold_is_unknown_until_it_was_seen_for_the_dwell() {
    after(steady(0, 50, 22.0), Unknown, "22 °C for 50 s, idle after 1 min below 50 °C");
    after(steady(0, 60, 22.0), Idle, "22 °C, safe below 50 °C");
}

#[test]
fn heating_from_cold_is_busy_long_before_it_is_hot() {
    after(steady(0, 60, 22.0).chain([(70, 24.5)]), Busy, "24.5 °C, rising from 22 °C");
}

#[test]
fn a_plateau_below_safe_is_no_longer_rising_once_it_lasts() {
    let run = follow(BED, steady(0, 60, 22.0).chain(steady(70, 900, 30.0)));
    assert_eq!(run.at(Millis(600_000)).unwrap().assessment.verdict, Busy);
    assert_eq!(last(&run).verdict, Idle);
}

#[test]
fn noise_at_the_safe_temperature_does_not_flap() {
    let noise = (0..600).step_by(10).map(|secs| (secs, if secs % 40 == 0 { 50.2 } else { 49.7 }));
    let run = follow(BED, noise.chain(steady(600, 700, 49.0)));
    let changes = run.verdicts().windows(2).filter(|pair| pair[0] != pair[1]).count();
    assert_eq!((changes, last(&run).verdict), (1, Idle));
}

#[test]
fn a_gap_restarts_the_dwell_and_the_fit() {
    after(steady(0, 60, 22.0).chain([(200, 22.0)]), Unknown, "22 °C for 0 s, idle after 1 min below 50 °C");
    let gap = cooling(90.0, 20.0, 1e-3, 0.0).take(30).chain([(500, 66.0)]);
    after(gap, Busy, "66 °C, safe below 50 °C");
}

#[test]
fn a_silent_sensor_is_unknown() {
    let mut trial = Trial::<TemperatureDecay>::new(BED).unwrap();
    steady(0, 60, 22.0).for_each(|(secs, cel)| trial.observe(&Reading::number(0, Millis(secs * 1_000), cel)));
    assert_eq!(trial.assess(Millis(180_000)).verdict, Idle);
    let overdue = trial.assess(Millis(181_000));
    assert_eq!((overdue.verdict, overdue.reason.as_str()), (Unknown, "no temperature reading for 2 min 1 s"));
}

#[test]
fn a_broken_sensor_is_unknown() {
    after(steady(0, 60, 22.0).chain([(70, -127.0)]), Unknown, "-127 °C is not a possible temperature");
    after(steady(0, 60, 22.0).chain([(70, 1e30)]), Unknown, "1e30 °C is not a possible temperature");
}

#[test]
fn a_sensor_that_dropped_off_is_not_a_part_that_cooled() {
    let dropped = steady(0, 60, 180.0).chain(steady(65, 600, 22.0));
    after(dropped, Unknown, "fell from 180 °C to 22 °C at once, so the sensor may have come off");
    let much_later = steady(0, 60, 180.0).chain(steady(65, 800, 22.0));
    after(much_later, Idle, "22 °C, safe below 50 °C");
}

#[test]
fn a_part_that_cools_says_how_long_at_least() {
    // ln(60 / 30) / 0.001 s = 693 s from 80 °C to 50 °C.
    let run = follow(BED, cooling(90.0, 20.0, 1e-3, 0.0).take_while(|(_, cel)| *cel > 80.0));
    let assessment = last(&run);
    assert_eq!(assessment.verdict, Busy);
    assert!(
        assessment.reason.ends_with(" °C, safe below 50 °C, in 11 min at the earliest"),
        "{}",
        assessment.reason
    );
    let clears = assessment.clears_in.unwrap();
    assert!((Span::from_secs(690)..Span::from_secs(780)).contains(&clears), "{clears}");
}

/// The bounds that were given while hot, each with the seconds it really took from then on.
fn bounds(run: &Run, safe_cel: f64) -> Vec<(f64, f64)> {
    let hot = |assessment: &Assessment| assessment.evidence[0].as_number().unwrap() >= safe_cel;
    let Some(safe) = run.steps.iter().rposition(|step| hot(&step.assessment)) else { return Vec::new() };
    let safe_at = run.steps[safe].at + Span::from_mins(1);
    let given = run.steps[..safe].iter().filter(|step| hot(&step.assessment));
    let bound = given.filter_map(|step| Some((step.assessment.clears_in?, safe_at.since(step.at))));
    bound.map(|(bound, took)| (bound.as_secs_f64(), took.as_secs_f64() + 60.0)).collect()
}

#[test]
fn with_noise_the_bound_stays_a_bound() {
    for (from, rate, noise) in
        [(120.0, 1e-3, 0.5), (120.0, 3e-4, 0.2), (120.0, 3e-3, 1.0), (60.0, 2e-5, 0.05)]
    {
        for settings in [BED, r#"{ "safe_below": 50 }"#] {
            let run = follow(settings, cooling(from, 20.0, rate, noise).take_while(|(_, cel)| *cel > 45.0));
            let bounds = bounds(&run, 50.0);
            let broken = bounds.iter().filter(|(bound, took)| bound > took).count();
            assert_eq!(broken, 0, "rate {rate}, noise {noise}, {settings}");
            assert!(bounds.len() * 2 > run.steps.len(), "rate {rate}: {} bounds", bounds.len());
        }
    }
}

#[test]
fn cooling_that_gathers_speed_gives_no_bound() {
    let run =
        follow(BED, (0..60_u32).map(|step| (u64::from(step) * 10, 120.0 - 0.01 * f64::from(step).powi(2))));
    assert_eq!(last(&run).clears_in, None);
}

#[test]
fn a_part_held_at_its_temperature_gives_no_bound() {
    let run = follow(BED, (0..600).step_by(10).map(|secs| (secs, if secs % 40 == 0 { 80.4 } else { 79.8 })));
    assert!(run.steps.iter().all(|step| step.assessment.clears_in.is_none()));
}

#[test]
fn settings_that_do_not_fit_are_refused() {
    for (settings, error) in [
        ("{}", "safe_below is missing: Busy at this temperature and above, in degrees Celsius."),
        (
            r#"{"safe_below":9000}"#,
            "safe_below is 9000: give degrees Celsius between -50 and 1500, such as 50",
        ),
        (
            r#"{"safe_below":50,"ambient":50}"#,
            "ambient is 50, and safe_below is 50: give less than safe_below, or the machine would never be safe",
        ),
        (
            r#"{"safe_below":50,"rise_max":0}"#,
            "rise_max is 0: give degrees above zero and above the sensor's noise, such as 2",
        ),
        (r#"{"safe_below":50,"window":"10 s"}"#, "window is 10 s: give at least 30 s"),
    ] {
        assert_eq!(Trial::<TemperatureDecay>::new(settings).unwrap_err().to_string(), error);
    }
}

/// Hot water cooling in a room: `CoolingWater` of the R package mosaicData. It is no part of this project.
fn water() -> Option<Recording> {
    let folder = std::env::var_os("IDLEGATE_OPEN_DATA").map(std::path::PathBuf::from);
    let path = folder.map(|folder| folder.join("cooling/cooling-water.csv")).filter(|path| path.is_file());
    if path.is_none() {
        eprintln!(
            "skipped: IDLEGATE_OPEN_DATA names no folder with cooling/cooling-water.csv in it; \
             tests/published/README.md says what that is and how to get it"
        );
    }
    path.map(|path| Recording::load::<TemperatureDecay>(path).unwrap())
}

#[test]
fn real_water_is_never_safe_before_the_bound() {
    let Some(water) = water() else { return };
    for ambient in ["", r#", "ambient": 23"#] {
        for safe in [30.0, 40.0, 50.0, 60.0, 70.0] {
            for window in ["10 min", "20 min", "40 min"] {
                let settings = format!(r#"{{ "safe_below": {safe}, "window": "{window}" {ambient} }}"#);
                let bounds = bounds(&run::<TemperatureDecay>(&settings, &water).unwrap(), safe);
                assert!(!bounds.is_empty(), "{settings}");
                for (bound, took) in bounds {
                    assert!(bound <= took, "{settings}: {bound} s at least, but it took {took} s");
                }
            }
        }
    }
}

/// By `scipy.optimize.curve_fit` on the first rows of the recording, per minute: `tests/published/cooling.py`.
#[test]
fn real_water_is_fitted_as_an_independent_solver_does() {
    let Some(water) = water() else { return };
    let minutes = |reading: &Reading| reading.at.since(Millis(0)).as_secs_f64() / 60.0;
    let sample = |r: &Reading| Sample { time: minutes(r), temperature: r.as_number().unwrap() };
    let samples: Vec<Sample> = water.readings().iter().map(sample).collect();
    let near =
        |value: f64, expected: f64| assert!((value / expected - 1.0).abs() < 1e-6, "{value} {expected}");
    for line in include_str!("../../../tests/published/cooling.tsv").lines().skip(2) {
        let cells: Vec<&str> = line.split('\t').collect();
        let number = |cell: usize| cells[cell].parse::<f64>().unwrap();
        let seen = &samples[..cells[0].parse().unwrap()];
        if cells[1] == "free" {
            let fit = newton::fit(seen).unwrap();
            near(fit.ambient, number(2));
            near(fit.rate, number(3));
        } else {
            let fit = newton::fit_with_ambient(seen, number(2)).unwrap();
            near(fit.rate, number(3));
            assert!((fit.rate_error / number(4) - 1.0).abs() < 1e-4, "{} {line}", fit.rate_error);
        }
    }
}
