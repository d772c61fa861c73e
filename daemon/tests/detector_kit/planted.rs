//! Could go wrong in the workshop: on the draw of a real machine a silence, a crash or an endless loop of a detector is
//! one thing to the kit and another to a trial, a replay or the guard, and its maker learns of it beside the machine.
//!
//! The recordings of real machines are found through IDLEGATE_OPEN_DATA; the faults are planted in them. A detector
//! that crashes ends a test with the kit, which runs it natively, so crashes and loops are compared among the other
//! three.

use std::path::{Path, PathBuf};

use idlegate_guard::PermissiveState;
use idlegate_plan::event::{Name, Value};
use idlegate_recordings::recording::RecordingReader;
use idlegate_setup::detector_kit::Candidate;

use super::agreement::{Guard, Readings, SETTINGS, States, by_the_kit, plan, replayed, tried, written};
use super::handmade::Handmade;
use super::modules;

/// So many readings of each recording, from shortly before its machine first works.
const STRETCH: usize = 1_200;
const BEFORE: usize = 100;
/// On both sides of the half minute after which a reading is stale, and of the detector's own dwell.
const GAPS_MILLIS: [u64; 6] = [29_000, 30_000, 31_000, 59_000, 90_000, 900_000];
/// Of these the detector made by hand panics, and loops for ever.
const PANIC: f64 = 666.0;
const LOOP: f64 = 777.0;

/// One day of every meter, or every day there is.
fn recordings(every_day: bool) -> Vec<PathBuf> {
    let Some(folder) = std::env::var_os("IDLEGATE_OPEN_DATA") else {
        eprintln!("skipped: IDLEGATE_OPEN_DATA is not set");
        return Vec::new();
    };
    let mut files = Vec::new();
    for part in ["power", "power-hard"] {
        let entries = std::fs::read_dir(Path::new(&folder).join(part)).unwrap();
        files.extend(
            entries
                .map(|entry| entry.unwrap().path())
                .filter(|path| path.extension().is_some_and(|it| it == "gz")),
        );
    }
    files.sort();
    if !every_day {
        let meter =
            |path: &PathBuf| path.to_string_lossy().split("-20").next().unwrap_or_default().to_owned();
        files.dedup_by_key(|path| meter(path));
    }
    assert!(files.len() >= 13, "one day of each of thirteen meters at least: {files:?}");
    files
}

/// A stretch of the recording, its times counted from its own beginning.
fn stretch(file: &Path) -> Readings {
    let points = RecordingReader::open(file).unwrap().map(|point| point.unwrap());
    let mut readings: Vec<(i64, f64)> = Vec::new();
    for point in points {
        let Value::Number(watts) = point.value else { continue };
        if readings.last().is_none_or(|(before, _)| *before < point.at.0) {
            readings.push((point.at.0, watts));
        }
    }
    let works = readings.iter().position(|(_, watts)| *watts > 40.0).unwrap_or(0).saturating_sub(BEFORE);
    let begin = readings[works].0;
    readings[works..].iter().take(STRETCH).map(|(at, watts)| ((at - begin).unsigned_abs(), *watts)).collect()
}

/// Numbers that are the same in every run, and others for every file.
struct Chance(u64);

impl Chance {
    fn of(file: &Path) -> Chance {
        let name = file.file_name().unwrap().as_encoded_bytes();
        Chance(name.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
            (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
        }))
    }

    fn below(&mut self, end: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(self.0 >> 33).unwrap() % end
    }
}

/// Whatever follows comes later by as much.
fn plant_gaps(readings: &mut Readings, chance: &mut Chance) {
    for gap in GAPS_MILLIS {
        let from = 1 + chance.below(readings.len() - 1);
        readings[from..].iter_mut().for_each(|(at, _)| *at += gap);
    }
}

/// A panic and a loop far enough from each other to be forgiven, and in the end three panics at once, which are not.
fn plant_crashes(readings: &mut Readings, chance: &mut Chance) {
    let quarter = readings.len() / 4;
    for (faults, from) in [(&[PANIC][..], quarter), (&[LOOP], 2 * quarter), (&[PANIC; 3], 3 * quarter)] {
        // Half a quarter is left for the good answers after it.
        let at = from + chance.below(quarter / 2);
        for (reading, fault) in readings[at..].iter_mut().zip(faults) {
            reading.1 = *fault;
        }
    }
}

/// Each way by its name, so that a difference says whose it is.
fn agree(file: &Path, ways: &[(&str, States)]) {
    let (first, said) = &ways[0];
    for (way, says) in &ways[1..] {
        assert_eq!(says, said, "{way} (left) and {first} (right) differ on {}", file.display());
    }
}

fn compare(every_day: bool) {
    let modules = modules();
    let folder = tempfile::tempdir().unwrap();
    let handmade = folder.path().join("handmade.wasm");
    std::fs::write(&handmade, Handmade::default().file()).unwrap();
    let threshold = Candidate::BuiltIn(Name::new("power-threshold").unwrap());
    let handmade = Candidate::File(handmade);
    let (threshold_plan, _rules) = plan(&threshold, SETTINGS, &modules);
    let (handmade_plan, _more_rules) = plan(&handmade, "", &modules);
    let mut changes = 0;
    for file in recordings(every_day) {
        let mut chance = Chance::of(&file);
        let mut readings = stretch(&file);
        plant_gaps(&mut readings, &mut chance);
        let (_recording, recording) = written(&readings);
        let by_trial = tried(&threshold, SETTINGS, &recording, &modules);
        changes += by_trial.len();
        agree(
            &file,
            &[
                ("try", by_trial),
                ("replay", replayed(&threshold_plan, &recording, &modules)),
                ("the guard", Guard::of(&threshold_plan, &modules).guards(&readings)),
                ("the kit", by_the_kit(&readings)),
            ],
        );
        plant_crashes(&mut readings, &mut chance);
        let (_recording, recording) = written(&readings);
        let by_trial = tried(&handmade, "", &recording, &modules);
        let felt = by_trial.iter().filter(|(_, state)| *state == PermissiveState::Unknown).count();
        // Nothing read yet, and three times a crash or loop; silences that were planted come on top.
        assert!(felt >= 4, "each fault is felt in {}: {by_trial:?}", file.display());
        agree(
            &file,
            &[
                ("try", by_trial),
                ("replay", replayed(&handmade_plan, &recording, &modules)),
                ("the guard", Guard::of(&handmade_plan, &modules).guards(&readings)),
            ],
        );
    }
    println!(
        "{changes} changes of what the machines were, the same for the kit, a trial, a replay and the guard"
    );
}

#[test]
fn all_say_the_same_of_silences_crashes_and_loops_in_real_draws() {
    compare(false);
}

#[test]
#[ignore = "every day of every meter takes minutes; tests/run --long includes it"]
fn all_say_the_same_of_silences_crashes_and_loops_in_every_open_recording() {
    compare(true);
}
