//! A trial tells what the detector did, also when it failed.

use std::path::PathBuf;

use idlegate_plan::event::Name;
use idlegate_setup::detector_kit::{Candidate, Expectation, Trial, TrialError, Wanted};

use super::handmade::Handmade;
use super::modules;

/// Tries a detector that panics at a reading of 666.
fn tried(csv: &str) -> Trial {
    let folder = tempfile::tempdir().unwrap();
    let [detector, recording]: [PathBuf; 2] =
        ["handmade.wasm", "power.csv"].map(|name| folder.path().join(name));
    std::fs::write(&detector, Handmade::default().file()).unwrap();
    std::fs::write(&recording, csv).unwrap();
    let wanted = Wanted {
        candidate: &Candidate::File(detector),
        settings: &toml_edit::InlineTable::new(),
        recordings: &[],
        signals: &[("power".to_owned(), recording)],
    };
    Trial::run(&wanted, &modules()).unwrap()
}

#[test]
fn a_detector_that_fails_is_told_with_its_reason_even_if_it_was_unknown_before() {
    let trial = tried("time,watts\n2026-01-05T10:00:00Z,666\n2026-01-05T10:00:01Z,5\n");
    let sentences: Vec<String> = trial.troubles.sentences().collect();
    let [sentence] = sentences.as_slice() else { panic!("{sentences:?}") };
    assert!(sentence.contains("failed at 2026-01-05T10:00:00.000Z: observe panicked"), "{sentence}");
    assert!(sentence.ends_with("it failed to answer 2 times"), "{sentence}");
}

#[test]
fn a_detector_that_is_taken_out_is_told_so() {
    let panics: String = (0..60).map(|second| format!("2026-01-05T10:{second:02}:00Z,666\n")).collect();
    let trial = tried(&format!("time,watts\n{panics}"));
    let sentence = trial.troubles.sentences().next().unwrap();
    assert!(sentence.contains("and was taken out of service at 2026-01-05T10:"), "{sentence}");
}

#[test]
fn a_detector_that_always_answers_has_no_troubles() {
    let trial = tried("time,watts\n2026-01-05T10:00:00Z,5\n2026-01-05T10:00:01Z,5\n");
    assert!(trial.troubles.is_empty());
}

fn tried_built_in(csv: &str) -> Result<Trial, TrialError> {
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("day.csv");
    std::fs::write(&recording, csv).unwrap();
    let settings: toml_edit::DocumentMut = "s = { busy_watts = 40, dwell = \"20 s\" }".parse().unwrap();
    let wanted = Wanted {
        candidate: &Candidate::BuiltIn(Name::new("power-threshold").unwrap()),
        settings: settings["s"].as_inline_table().unwrap(),
        recordings: &[recording],
        signals: &[],
    };
    Trial::run(&wanted, &modules())
}

/// A reading every ten seconds.
fn csv(columns: &str, cells: &[&str]) -> String {
    let line =
        |(row, cell): (usize, &&str)| format!("2026-01-05T10:{:02}:{:02}Z,{cell}\n", row / 6, row % 6 * 10);
    format!("time,{columns}\n{}", cells.iter().enumerate().map(line).collect::<String>())
}

#[test]
fn a_column_that_is_missing_is_named_before_anything_is_tried() {
    for (columns, told) in [
        (
            "powr,airflow",
            "power-threshold needs power (W), and there is no such column: there are airflow, powr; if powr is meant, rename \
             that column",
        ),
        (
            "fan,airflow",
            "power-threshold needs power (W), and there is no such column: there are airflow, fan; if it has a recording of \
             its own, give --signal power=FILE",
        ),
    ] {
        assert_eq!(tried_built_in(&csv(columns, &["4,1", "4,1"])).unwrap_err().to_string(), told);
    }
    let trial = tried_built_in(&csv("power,airflow", &["4,1", "4,1"])).unwrap();
    assert_eq!(trial.unused.iter().map(|name| &**name).collect::<Vec<_>>(), ["airflow"]);
}

#[test]
fn every_change_of_reason_is_told_and_no_mere_change_of_a_figure() {
    let trial =
        tried_built_in(&csv("power", &["4", "5", "6", "90", "95", "39", "6", "6", "6", "6"])).unwrap();
    let told = trial.changes.iter().map(|change| (change.at.0 / 1_000 % 3_600, change.reason.as_str()));
    let expected = [
        (0, "4 W for 0 s, idle after 20 s below 40 W"),
        (20, "6 W, below 40 W for 20 s"),
        (30, "90 W, busy above 40 W"),
        (50, "39 W for 0 s, idle after 20 s below 40 W"),
        (70, "6 W, below 40 W for 20 s"),
    ];
    assert_eq!(told.collect::<Vec<_>>(), expected);
}

#[test]
fn what_is_not_as_expected_is_told_with_its_reason() {
    let trial =
        tried_built_in(&csv("power", &["4", "5", "6", "90", "95", "39", "6", "6", "6", "6"])).unwrap();
    let differences = |lines: &str| {
        let expected = Expectation::parse(&format!("time,verdict\n{lines}")).unwrap();
        expected.differences(&trial.changes, trial.ended.until)
    };
    let right = "2026-01-05T10:00:00Z,held\n2026-01-05T10:00:20Z,idle\n2026-01-05T10:00:30Z,busy\n2026-01-05T10:01:10Z,any\n";
    assert_eq!(differences(right), Vec::<String>::new());
    assert_eq!(
        differences("2026-01-05T10:00:25Z,idle\n2026-01-05T10:01:10Z,idle\n"),
        [
            "2026-01-05T10:00:30.000Z: expected idle, but it was busy for 20 s: 90 W, busy above 40 W",
            "2026-01-05T10:00:50.000Z: expected idle, but it was busy for 20 s: 39 W for 0 s, idle after 20 s below 40 W",
        ]
    );
}
