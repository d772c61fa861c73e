//! How a detector that stopped comes back, or does not.

use std::sync::Arc;

use super::fixture::{ENDLESS, Handmade, REFUSED, name, number};
use crate::detectors::limits::{BACK_OFF, GOOD_ANSWERS_TO_FORGIVE};
use crate::detectors::{Feed, Inline, Installation, Module, Place};
use crate::event::{DetectorFault, Verdict};
use crate::time::{Moment, Span};

/// One machine with one detector, and a count of its feeds.
struct Bench {
    inline: Inline,
    generation: u64,
    feed: u64,
}

fn installation(module: &Arc<Module>) -> Installation {
    Installation { module: module.clone(), settings: "{}".into(), signals: [name("power")].into() }
}

fn mill() -> Place {
    Place { machine: name("mill"), detector: 0 }
}

impl Bench {
    fn with(detector: &Handmade) -> Bench {
        let mut bench = Bench { inline: Inline::new(), generation: 0, feed: 0 };
        bench.replace(&detector.module());
        bench
    }

    fn replace(&mut self, module: &Arc<Module>) {
        self.generation += 1;
        self.inline.install(mill(), self.generation, installation(module));
    }

    /// Shows one value at a time, and gives the verdict and the reason in words.
    fn show(&mut self, at: u64, value: f64) -> String {
        self.feed += 1;
        let (place, generation, feed) = (mill(), self.generation, self.feed);
        let feed = Feed { place, generation, feed, readings: vec![number(at, value)], assess_at: Moment(at) };
        let answer = self.inline.feed(feed).unwrap();
        assert_eq!((answer.feed, answer.at), (self.feed, Moment(at)));
        match answer.outcome {
            Ok(assessment) => {
                let verdict = match assessment.verdict {
                    Verdict::Busy => "busy",
                    Verdict::Idle => "idle",
                    Verdict::Unknown => "unknown",
                };
                format!("{verdict}: {}", assessment.reason)
            }
            Err(DetectorFault::NotLoaded(why)) => format!("not loaded: {why}"),
            Err(DetectorFault::Stopped(why)) => format!("stopped: {why}"),
            Err(DetectorFault::Benched(why)) => format!("benched: {why}"),
        }
    }
}

/// Panics when it is asked at this very time, whatever it was shown.
fn stumbles_at(at: u64) -> Handmade {
    let mut detector = Handmade::default();
    let trap = format!("(if (i64.eq (local.get $now) (i64.const {at})) (then (unreachable)))");
    detector.assess = trap + &detector.assess;
    detector
}

#[test]
fn a_detector_that_stumbled_once_comes_back_with_its_memory() {
    let mut bench = Bench::with(&stumbles_at(2_000));
    assert_eq!(bench.show(1_000, 5.0), "unknown: seen 1");
    assert_eq!(bench.show(2_000, 5.0), "stopped: assess panicked; tried again in 2 s");
    assert_eq!(bench.show(3_000, 5.0), "stopped: assess panicked; tried again in 1 s");
    assert_eq!(bench.show(4_000, 5.0), "idle: seen 4");
}

#[test]
fn a_reading_it_cannot_stomach_is_not_shown_to_it_a_third_time() {
    let mut bench = Bench::with(&Handmade::default());
    assert_eq!(bench.show(1_000, 5.0), "unknown: seen 1");
    assert_eq!(bench.show(2_000, 666.0), "stopped: observe panicked; tried again in 2 s");
    assert_eq!(bench.show(4_000, 5.0), "stopped: observe panicked; tried again in 30 s");
    assert_eq!(bench.show(5_000, 5.0), "stopped: observe panicked; tried again in 29 s");
    assert_eq!(bench.show(34_000, 5.0), "unknown: seen 2");
    assert_eq!(bench.show(35_000, 5.0), "idle: seen 3");
}

#[test]
fn three_strikes_bench_it_until_its_file_changes() {
    let mut bench = Bench::with(&Handmade::default());
    let mut at = 0;
    for words in [
        "stopped: observe took longer than 50 ms; tried again in 2 s",
        "stopped: observe took longer than 50 ms; tried again in 30 s",
        "benched: observe took longer than 50 ms",
    ] {
        at += 60_000;
        assert_eq!(bench.show(at, 777.0), words);
    }
    assert_eq!(bench.show(at + 86_400_000, 5.0), "benched: observe took longer than 50 ms");
    bench.replace(&Handmade::default().module());
    // What it was shown while it was benched is remembered for its successor.
    assert_eq!(bench.show(at + 86_401_000, 5.0), "unknown: seen 2");
}

#[test]
fn good_answers_in_a_row_wipe_earlier_strikes_out() {
    let mut bench = Bench::with(&Handmade::default());
    let mut at = 0;
    for _ in 0..4 {
        at += 86_400_000;
        assert_eq!(bench.show(at, 666.0), "stopped: observe panicked; tried again in 2 s");
        // The second strike comes from the history.
        at += 60_000;
        assert_eq!(bench.show(at, 5.0), "stopped: observe panicked; tried again in 30 s");
        for _ in 0..GOOD_ANSWERS_TO_FORGIVE {
            at += 60_000;
            let answer = bench.show(at, 5.0);
            assert!(answer.contains("seen"), "{answer}");
        }
    }
}

#[test]
fn a_successor_takes_over_the_history_of_the_same_signals() {
    let mut bench = Bench::with(&Handmade::default());
    bench.show(1_000, 5.0);
    bench.show(2_000, 5.0);
    bench.replace(&Handmade::default().module());
    assert_eq!(bench.show(3_000, 5.0), "idle: seen 3");
    // Feeds for the one before find nobody.
    let (place, generation) = (mill(), bench.generation - 1);
    let late = Feed { place, generation, feed: 9, readings: Vec::new(), assess_at: Moment(4_000) };
    assert_eq!(bench.inline.feed(late), None);
}

#[test]
fn wrong_settings_are_told_again_and_again_and_tried_once() {
    let mut bench =
        Bench::with(&Handmade { configure: format!("(i32.const {REFUSED})"), ..Handmade::default() });
    for at in [1_000, 2_000] {
        assert_eq!(bench.show(at, 5.0), "not loaded: it refuses its settings: Counts.");
    }
}

#[test]
fn a_detector_that_never_starts_is_benched_like_any_other() {
    let mut bench = Bench::with(&Handmade { configure: ENDLESS.into(), ..Handmade::default() });
    assert_eq!(bench.show(0, 5.0), "stopped: configure took longer than 50 ms; tried again in 2 s");
    assert_eq!(bench.show(2_000, 5.0), "stopped: configure took longer than 50 ms; tried again in 30 s");
    assert_eq!(bench.show(32_000, 5.0), "benched: configure took longer than 50 ms");
}

#[test]
fn the_same_recording_gives_the_same_answers() {
    let recording = || {
        let mut bench = Bench::with(&stumbles_at(7 * 1_000));
        let values = [5.0, 5.0, 666.0, 1.0, 2.0, 3.0];
        let times = (0..200_u64).map(|n| n * 1_000);
        times.zip(values.iter().cycle()).map(|(at, value)| bench.show(at, *value)).collect::<Vec<_>>()
    };
    assert_eq!(recording(), recording());
    assert_eq!(BACK_OFF[0], Span::secs(2), "the tables above are written for this");
}
