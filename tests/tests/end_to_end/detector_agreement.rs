//! The prebuilt detectors in the sandbox against the same source compiled natively, on recordings of real machines.
//!
//! Could go wrong in the workshop: the component that guards a machine is not what its source says, or the sandbox
//! changes what a detector sees.
//!
//! Recordings: the tracebase data set (Reinhardt et al., "On the Accuracy of Appliance Identification Based on
//! Distributed Load Metering Data", SustainIT 2012; Open Database License), and `CoolingWater` of the R package
//! mosaicData for temperatures, both found through IDLEGATE_OPEN_DATA.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use std::path::{Path, PathBuf};
use std::sync::Arc;

use idlegate_detector::testing::{Recording, Run, run, run_guarded};
use idlegate_detector::{Span, Verdict};
use idlegate_detectors::{Execution, Inline, Installation, Loader, Modules, Pin, Sandbox, built_in};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::Moment;
use idlegate_plan::DetectorIx;
use idlegate_plan::event::{DetectorId, Feed, Name, Reading, Value};
use idlegate_setup::detector_kit::{Candidate, Trial, Wanted};
use idlegate_tests::open_data;

fn open_data(part: &str) -> Option<PathBuf> {
    open_data::part(part).inspect_err(|skipped| eprintln!("{skipped}")).ok()
}

/// Runs the built-in component over the recording and compares every assessment with the native one.
fn compare(detector: &str, signal: &str, settings: &str, recording: &Recording, native: &Run) {
    let loader = Loader::new(Sandbox::new(Execution::Automatic).unwrap(), None);
    let module = Arc::new(loader.load(built_in(detector).unwrap(), Pin::Ours).unwrap());
    let id = DetectorId { machine: Name::new("machine").unwrap(), detector: DetectorIx(0) };
    let signals: Arc<[Name]> = vec![Name::new(signal).unwrap(); module.description().signals.len()].into();
    let mut sandboxed = Inline::new();
    sandboxed.install(id.clone(), 1, Installation { module, settings: settings.into(), signals });
    assert_eq!(recording.readings().len(), native.steps.len());
    for (number, (reading, step)) in recording.readings().iter().zip(&native.steps).enumerate() {
        let at = Moment(reading.at.0);
        let value = Value::Number(reading.as_number().unwrap());
        let answer = sandboxed.feed(Feed {
            id: id.clone(),
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

/// From when on the machine was what. Of several states at one time the last counts.
fn settled(told: impl IntoIterator<Item = (i64, Verdict)>) -> Vec<(i64, Verdict)> {
    let mut states: Vec<(i64, Verdict)> = Vec::new();
    for (at, state) in told {
        if states.last().is_some_and(|(last, _)| *last == at) {
            states.pop();
        }
        states.push((at, state));
    }
    states.dedup_by_key(|(_, state)| *state);
    states
}

/// What the test kit says with the silences of a real meter, and what a trial of the component says under the engine.
fn compare_guarded(settings: &str, file: &Path, recording: &Recording) {
    let run =
        run_guarded::<power_threshold::PowerThreshold>(settings, recording, Span::from_secs(30)).unwrap();
    let by_the_kit =
        run.steps.iter().map(|step| (i64::try_from(step.at.0).unwrap(), step.assessment.verdict));
    let table: toml_edit::DocumentMut =
        "s = { busy_watts = 40, quiet_watts = 35, dwell = \"3 min\" }".parse().unwrap();
    let wanted = Wanted {
        candidate: &Candidate::BuiltIn(Name::new("power-threshold").unwrap()),
        settings: table["s"].as_inline_table().unwrap(),
        recordings: &[file.to_owned()],
        signals: &[],
    };
    let trial = Trial::run(&wanted, &Modules::new(Execution::Automatic, None).unwrap()).unwrap();
    let tried = trial.changes.iter().map(|change| {
        let verdict = match change.state {
            PermissiveState::Busy => Verdict::Busy,
            PermissiveState::Clear => Verdict::Idle,
            PermissiveState::Unknown => Verdict::Unknown,
        };
        (change.at.0, verdict)
    });
    assert_eq!(settled(tried), settled(by_the_kit), "{}", file.display());
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
        let recording = Recording::load::<power_threshold::PowerThreshold>(file).unwrap();
        let native = run::<power_threshold::PowerThreshold>(settings, &recording).unwrap();
        compare("power-threshold", "power", settings, &recording, &native);
        compare_guarded(settings, file, &recording);
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
    let recording =
        Recording::load::<temperature_decay::TemperatureDecay>(folder.join("cooling-water.csv")).unwrap();
    let settings = r#"{"safe_below": 40, "ambient": 23}"#;
    let native = run::<temperature_decay::TemperatureDecay>(settings, &recording).unwrap();
    compare("temperature-decay", "temperature", settings, &recording, &native);
}

#[test]
fn level_says_the_same_natively_and_in_the_sandbox() {
    let Some(folder) = open_data("cooling") else { return };
    let text = std::fs::read_to_string(folder.join("cooling-water.csv")).unwrap();
    let recording = Recording::from_csv::<level::Level>(&text.replacen("celsius", "value", 1)).unwrap();
    let settings = r#"{"more_than": 60, "less_than": 27.5, "lasting": "3 min", "unit": "Cel"}"#;
    let native = run::<level::Level>(settings, &recording).unwrap();
    let verdicts: Vec<_> = native.steps.iter().map(|step| step.assessment.verdict).collect();
    for seen in [Verdict::Busy, Verdict::Idle, Verdict::Unknown] {
        assert!(verdicts.contains(&seen), "{seen:?}");
    }
    compare("level", "value", settings, &recording, &native);
}

#[test]
fn unusual_draw_says_the_same_natively_and_in_the_sandbox() {
    let Some(folder) = open_data("power") else { return };
    let day = folder.join("cookingstove-D33097-2011-12-25.csv.gz");
    let recording = Recording::load::<unusual_draw::UnusualDraw>(day).unwrap();
    let settings = r#"{"on_watts": 450, "on_longer_than": "13 min", "on_longest": "12 min", "does": "heated",
        "higher_than_watts": 930, "work_watts": 40, "pause_max": "2 min", "work_shorter_than": "5 min"}"#;
    let native = run::<unusual_draw::UnusualDraw>(settings, &recording).unwrap();
    let said: Vec<&str> = native.steps.iter().map(|step| step.assessment.reason.as_str()).collect();
    for seen in ["heated without a pause for 13 min", "it draws 93", "it stopped after ", "nothing unusual"] {
        assert!(said.iter().any(|reason| reason.contains(seen)), "{seen}");
    }
    compare("unusual-draw", "power", settings, &recording, &native);
}
