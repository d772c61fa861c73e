//! The prebuilt detectors in the sandbox against the same source compiled natively, on recordings of real machines.
//!
//! Could go wrong in the workshop: the component that guards a machine is not what its source says, or the sandbox
//! changes what a detector sees.
//!
//! Recordings: the tracebase data set (Reinhardt et al., "On the Accuracy of Appliance Identification Based on Distributed
//! Load Metering Data", SustainIT 2012; Open Database License), and `CoolingWater` of the R package mosaicData for
//! temperatures, both found through IDLEGATE_OPEN_DATA.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use std::path::PathBuf;
use std::sync::Arc;

use idlegate::detectors::{Execution, Feed, Inline, Installation, Loader, Place, Sandbox, built_in};
use idlegate::event::{Name, Reading, Value};
use idlegate::time::Moment;
use idlegate_detector::testing::{Recording, Run, run};
use idlegate_tests::open_data;

fn open_data(part: &str) -> Option<PathBuf> {
    open_data::part(part).inspect_err(|skipped| eprintln!("{skipped}")).ok()
}

/// Runs the built-in component over the recording and compares every assessment with the native one.
fn compare(detector: &str, signal: &str, settings: &str, recording: &Recording, native: &Run) {
    let loader = Loader::new(Sandbox::new(Execution::Automatic).unwrap(), None);
    let module = Arc::new(loader.load(built_in(detector).unwrap(), None).unwrap());
    let place = Place { machine: Name::new("machine").unwrap(), detector: 0 };
    let signals: Arc<[Name]> = vec![Name::new(signal).unwrap(); module.description().signals.len()].into();
    let mut sandboxed = Inline::new();
    sandboxed.install(place.clone(), 1, Installation { module, settings: settings.into(), signals });
    assert_eq!(recording.readings().len(), native.steps.len());
    for (number, (reading, step)) in recording.readings().iter().zip(&native.steps).enumerate() {
        let at = Moment(reading.at.0);
        let value = Value::Number(reading.as_number().unwrap());
        let answer = sandboxed.feed(Feed {
            place: place.clone(),
            generation: 1,
            feed: number as u64 + 1,
            readings: vec![(0, Reading { at, value })],
            assess_at: at,
        });
        let said = answer.unwrap().outcome.unwrap();
        let expected = &step.assessment;
        assert_eq!(format!("{:?}", said.verdict), format!("{:?}", expected.verdict), "{detector} at {at:?}");
        assert_eq!(&*said.reason, expected.reason, "{detector} at {at:?}");
        assert_eq!(
            said.clears_in.map(|span| span.0),
            expected.clears_in.map(|span| span.as_millis()),
            "{detector} at {at:?}"
        );
    }
}

/// One day of every meter: each machine's own way of pausing. `--run-ignored all` compares every day.
fn compare_power(every_day: bool) {
    let Some(folder) = open_data("power") else { return };
    let mut files: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "gz"))
        .collect();
    files.sort();
    if !every_day {
        let meter = |path: &PathBuf| {
            path.file_name().unwrap().to_string_lossy().split("-20").next().unwrap().to_owned()
        };
        files.dedup_by_key(|path| meter(path));
    }
    assert!(files.len() >= 9, "one day of each of nine meters at least: {files:?}");
    let settings = r#"{"busy_watts": 40, "quiet_watts": 35, "dwell": "3 min"}"#;
    let mut compared = 0;
    for file in &files {
        let recording = Recording::load(file).unwrap();
        let native = run::<power_threshold::PowerThreshold>(settings, &recording).unwrap();
        compare("power-threshold", "power", settings, &recording, &native);
        compared += recording.readings().len();
    }
    println!(
        "{compared} readings of {} recordings: the same assessment natively and in the sandbox",
        files.len()
    );
}

#[test]
fn power_threshold_says_the_same_natively_and_in_the_sandbox() {
    compare_power(false);
}

#[test]
#[ignore = "every day of every meter takes a minute; tests/run --long includes it"]
fn power_threshold_says_the_same_on_every_open_recording() {
    compare_power(true);
}

#[test]
fn temperature_decay_says_the_same_natively_and_in_the_sandbox() {
    let Some(folder) = open_data("cooling") else { return };
    let recording = Recording::load(folder.join("cooling-water.csv")).unwrap();
    let settings = r#"{"safe_below": 40, "ambient": 23}"#;
    let native = run::<temperature_decay::TemperatureDecay>(settings, &recording).unwrap();
    compare("temperature-decay", "temperature", settings, &recording, &native);
}
