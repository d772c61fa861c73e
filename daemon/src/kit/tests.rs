//! A trial tells what the detector did, also when it failed.

use std::path::PathBuf;

use super::{Candidate, Trial, Wanted};
use crate::detectors::Execution;
use crate::detectors::tests::handmade::Handmade;
use crate::service::Modules;

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
    Trial::run(&wanted, &Modules::new(Execution::Automatic, None).unwrap()).unwrap()
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
