//! What could go wrong at the cutter: power goes while the tube fires between two parts, while smoke stands in the bed,
//! or while the pump must still run; or never, because a sensor has died.

use idlegate_detector::Verdict::{Busy, Idle, Unknown};
use idlegate_detector::testing::{Recording, Trial};
use idlegate_detector::{Reading, Verdict};

use super::*;

const SETTINGS: &str = r#"{ "firing_above": 1, "airflow_min": 5, "coolant_safe_below": 25 }"#;

/// A cutter whose sensors all report once a second.
struct Bench {
    trial: Trial<LaserCutter>,
    now: u64,
    tube: f64,
    airflow: f64,
    lid: f64,
    coolant: f64,
}

impl Bench {
    fn at_rest() -> Bench {
        let trial = Trial::new(SETTINGS).expect("good settings");
        Bench { trial, now: 0, tube: 0.1, airflow: 0.0, lid: 1.0, coolant: 20.0 }
    }

    fn after_a_cut() -> Bench {
        let mut bench = Bench::at_rest();
        (bench.tube, bench.airflow) = (18.0, 9.0);
        bench.passes(60);
        bench.tube = 0.1;
        bench
    }

    /// Lets this many seconds pass and returns what the detector says then.
    fn passes(&mut self, secs: u64) -> (Verdict, String) {
        for _ in 0..secs {
            self.now += 1_000;
            let at = Millis(self.now);
            for (signal, value) in
                [(TUBE, self.tube), (AIRFLOW, self.airflow), (LID, self.lid), (COOLANT, self.coolant)]
            {
                self.trial.observe(&Reading::number(signal, at, value));
            }
        }
        let said = self.trial.assess(Millis(self.now));
        (said.verdict, said.reason)
    }
}

#[test]
fn a_cutter_at_rest_is_idle_once_it_has_been_watched_for_a_while() {
    let mut bench = Bench::at_rest();
    assert_eq!(bench.passes(20).0, Unknown);
    assert_eq!(bench.passes(20), (Idle, "no shot, fumes drawn off, cooling water 20 °C".into()));
}

#[test]
fn travel_between_two_parts_is_part_of_the_cut() {
    let mut bench = Bench::after_a_cut();
    assert_eq!(
        bench.passes(25),
        (Busy, "the tube has not fired for 24 s, the cut is over after 30 s".into())
    );
    bench.tube = 15.0;
    assert_eq!(bench.passes(1), (Busy, "tube current 15 mA, busy above 1 mA".into()));
}

#[test]
fn fumes_are_drawn_off_for_three_minutes_after_the_last_shot() {
    let mut bench = Bench::after_a_cut();
    // The second after the last shot does not count: nobody knows when in it the tube stopped.
    assert_eq!(bench.passes(61), (Busy, "the fumes are being drawn off for another 2 min".into()));
    assert_eq!(bench.passes(119).0, Busy);
    assert_eq!(bench.passes(2).0, Idle);
}

#[test]
fn time_without_a_draught_or_with_the_lid_open_does_not_count() {
    let mut bench = Bench::after_a_cut();
    bench.passes(60);
    bench.airflow = 0.4;
    assert_eq!(
        bench.passes(600),
        (Busy, "no air is moving in the duct, so the fumes are not being drawn off".into())
    );
    (bench.airflow, bench.lid) = (9.0, 0.0);
    assert_eq!(bench.passes(600), (Busy, "the lid is open, so the fumes are not being drawn off".into()));
    bench.lid = 1.0;
    assert_eq!(bench.passes(110).0, Busy);
    assert_eq!(bench.passes(30).0, Idle);
}

#[test]
fn warm_water_keeps_the_pump_running() {
    let mut bench = Bench::after_a_cut();
    bench.coolant = 31.0;
    assert_eq!(bench.passes(300), (Busy, "cooling water 31 °C, safe below 25 °C".into()));
    bench.coolant = 24.9;
    assert_eq!(bench.passes(1).0, Idle);
}

#[test]
fn a_tube_that_fires_with_the_lid_open_is_named_as_such() {
    let mut bench = Bench::at_rest();
    (bench.tube, bench.lid) = (18.0, 0.0);
    assert_eq!(bench.passes(1), (Busy, "the tube is firing with the lid open".into()));
}

#[test]
fn one_that_looks_at_the_lid_alone_has_nothing_to_say_of_anything_else() {
    let mut bench = Bench::at_rest();
    bench.trial = Trial::new(&SETTINGS.replace('}', r#", "lid_only": true }"#)).expect("good settings");
    (bench.tube, bench.coolant) = (18.0, 40.0);
    assert_eq!(bench.passes(1).0, Idle);
    bench.lid = 0.0;
    assert_eq!(bench.passes(1), (Busy, "the tube is firing with the lid open".into()));
    bench.tube = 0.1;
    assert_eq!(bench.passes(1), (Idle, "the tube is not firing with the lid open".into()));
}

#[test]
fn a_silence_is_not_counted_as_extraction() {
    let mut bench = Bench::after_a_cut();
    bench.passes(40);
    bench.now += 3_600_000;
    assert_eq!(bench.passes(1).0, Busy);
}

#[test]
fn settings_are_refused_with_a_remedy() {
    for (settings, remedy) in [
        (r#"{ "firing_above": 0, "airflow_min": 5, "coolant_safe_below": 25 }"#, "give a current such as 1"),
        (r#"{ "firing_above": 1, "airflow_min": -5, "coolant_safe_below": 25 }"#, "give a speed such as 5"),
        (r#"{ "firing_above": 1, "airflow_min": 5 }"#, "coolant_safe_below"),
    ] {
        let refused = Trial::<LaserCutter>::new(settings).expect_err(settings).to_string();
        assert!(refused.contains(remedy), "{refused}");
    }
}

/// The recording of the README, whose cuts were drawn by hand.
#[test]
fn the_recorded_cuts_are_two() {
    let csv = include_str!("../recordings/two-cuts.csv");
    let recording = Recording::from_csv::<LaserCutter>(csv).expect("a good recording");
    let run = idlegate_detector::testing::run::<LaserCutter>(SETTINGS, &recording).expect("good");
    assert_eq!(run.busy_spans().len(), 2);
}
