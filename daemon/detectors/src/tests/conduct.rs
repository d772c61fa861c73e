//! How a detector that stopped comes back, or does not.

use std::sync::Arc;

use super::fixture::{ENDLESS, Handmade, REFUSED, name, number};
use crate::limits::{BACK_OFF, GOOD_ANSWERS_TO_FORGIVE, MEMORY_WAIT};
use crate::{Execution, Inline, Installation, Loader, Module, Modules, Pin, Sandbox};
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::{Assessment, DetectorFault, DetectorId, Feed, Install, Verdict};
use idlegate_plan::{DetectorIx, ModuleSource};

/// One machine with one detector, and a count of its feeds.
struct Quarantine {
    inline: Inline,
    generation: u64,
    feed: u64,
}

fn installation(module: &Arc<Module>) -> Installation {
    Installation { module: module.clone(), settings: "{}".into(), signals: [name("power")].into() }
}

fn mill() -> DetectorId {
    DetectorId { machine: name("mill"), detector: DetectorIx(0) }
}

impl Quarantine {
    fn with(detector: &Handmade) -> Quarantine {
        let mut bench = Quarantine { inline: Inline::new(), generation: 0, feed: 0 };
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
        let (id, generation, feed) = (mill(), self.generation, self.feed);
        let feed = Feed { id, generation, feed, readings: vec![number(at, value)], assess_at: Moment(at) };
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
            Err(DetectorFault::FellBehind(why)) => format!("fell behind: {why}"),
            Err(DetectorFault::Quarantined(why)) => format!("quarantined: {why}"),
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
    let mut bench = Quarantine::with(&stumbles_at(2_000));
    assert_eq!(bench.show(1_000, 5.0), "unknown: seen 1");
    assert_eq!(bench.show(2_000, 5.0), "stopped: assess panicked; tried again in 2 s");
    assert_eq!(bench.show(3_000, 5.0), "stopped: assess panicked; tried again in 1 s");
    assert_eq!(bench.show(4_000, 5.0), "idle: seen 4");
}

/// As the SDK's panic hook does: says why, then traps.
fn cries_out(why: &[u8], then: &str) -> Handmade {
    const WHY: usize = 0x2000;
    let imports =
        r#"(import "idlegate:host/last-words@1.0.0" "panicked" (func $panicked (param i32 i32)))"#.into();
    let mut detector = Handmade { imports, ..Handmade::default() };
    detector.data.push((WHY, why.to_vec()));
    let cry = format!("(call $panicked (i32.const {WHY}) (i32.const {}))", why.len());
    detector.assess = format!("{cry} {then} {}", detector.assess);
    detector
}

#[test]
fn a_panic_is_told_with_its_text_and_its_line() {
    let mut quarantine =
        Quarantine::with(&cries_out(b"index out of bounds (src/lib.rs:42)", "(unreachable)"));
    let told = "stopped: assess panicked: index out of bounds (src/lib.rs:42); tried again in 2 s";
    assert_eq!(quarantine.show(1_000, 5.0), told);
    // Only the first word of a call counts, and it drives no terminal and fills no screen.
    let again =
        cries_out(b"\x1b[2J\nno\r\n  way", "(call $panicked (i32.const 0) (i32.const 20)) (unreachable)");
    let told = "stopped: assess panicked: \u{fffd}[2J no way; tried again in 2 s";
    assert_eq!(Quarantine::with(&again).show(1_000, 5.0), told);
    let long = Quarantine::with(&cries_out(&[b'x'; 3_000], "(unreachable)")).show(1_000, 5.0);
    assert!(long.chars().count() < 200 && long.contains("x…; tried"), "{long}");
}

#[test]
fn last_words_of_a_detector_that_lives_are_nobodys_business() {
    let mut quarantine = Quarantine::with(&cries_out(b"idle", ""));
    assert_eq!(quarantine.show(1_000, 5.0), "unknown: seen 1");
    // What it said before is not what it stops of now.
    let mut quarantine =
        Quarantine::with(&Handmade { observe: ENDLESS.into(), ..cries_out(b"an old story", "") });
    assert_eq!(quarantine.show(1_000, 5.0), "stopped: observe took longer than 50 ms; tried again in 2 s");
}

#[test]
fn whoever_tells_its_last_words_asks_for_nothing() {
    let module = cries_out(b"x", "").load().unwrap();
    assert_eq!(module.description().name.as_str(), "handmade");
    let too_much = Handmade {
        imports: r#"(import "idlegate:host/last-wishes@1.0.0" "panicked" (func $panicked (param i32 i32)))"#
            .into(),
        ..Handmade::default()
    };
    assert!(too_much.load().unwrap_err().to_string().contains("a detector is granted nothing"));
}

#[test]
fn a_reading_it_cannot_stomach_is_not_shown_to_it_a_third_time() {
    let mut bench = Quarantine::with(&Handmade::default());
    assert_eq!(bench.show(1_000, 5.0), "unknown: seen 1");
    assert_eq!(bench.show(2_000, 666.0), "stopped: observe panicked; tried again in 2 s");
    assert_eq!(bench.show(4_000, 5.0), "stopped: observe panicked; tried again in 30 s");
    assert_eq!(bench.show(5_000, 5.0), "stopped: observe panicked; tried again in 29 s");
    assert_eq!(bench.show(34_000, 5.0), "unknown: seen 2");
    assert_eq!(bench.show(35_000, 5.0), "idle: seen 3");
}

#[test]
fn three_strikes_bench_it_until_its_file_changes() {
    let mut bench = Quarantine::with(&Handmade::default());
    let mut at = 0;
    for words in [
        "stopped: observe took longer than 50 ms; tried again in 2 s",
        "stopped: observe took longer than 50 ms; tried again in 30 s",
        "quarantined: observe took longer than 50 ms",
    ] {
        at += 60_000;
        assert_eq!(bench.show(at, 777.0), words);
    }
    assert_eq!(bench.show(at + 86_400_000, 5.0), "quarantined: observe took longer than 50 ms");
    bench.replace(&Handmade::default().module());
    // What it was shown while it was benched is remembered for its successor.
    assert_eq!(bench.show(at + 86_401_000, 5.0), "unknown: seen 2");
}

#[test]
fn good_answers_in_a_row_wipe_earlier_strikes_out() {
    let mut bench = Quarantine::with(&Handmade::default());
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
    let mut bench = Quarantine::with(&Handmade::default());
    bench.show(1_000, 5.0);
    bench.show(2_000, 5.0);
    bench.replace(&Handmade::default().module());
    assert_eq!(bench.show(3_000, 5.0), "idle: seen 3");
    // Feeds for the one before find nobody.
    let (id, generation) = (mill(), bench.generation - 1);
    let late = Feed { id, generation, feed: 9, readings: Vec::new(), assess_at: Moment(4_000) };
    assert_eq!(bench.inline.feed(late), None);
}

#[test]
fn wrong_settings_are_told_again_and_again_and_tried_once() {
    let mut bench =
        Quarantine::with(&Handmade { configure: format!("(i32.const {REFUSED})"), ..Handmade::default() });
    for at in [1_000, 2_000] {
        assert_eq!(bench.show(at, 5.0), "not loaded: it refuses its settings: Counts.");
    }
}

#[test]
fn a_detector_that_never_starts_is_benched_like_any_other() {
    let mut bench = Quarantine::with(&Handmade { configure: ENDLESS.into(), ..Handmade::default() });
    assert_eq!(bench.show(0, 5.0), "stopped: configure took longer than 50 ms; tried again in 2 s");
    assert_eq!(bench.show(2_000, 5.0), "stopped: configure took longer than 50 ms; tried again in 30 s");
    assert_eq!(bench.show(32_000, 5.0), "quarantined: configure took longer than 50 ms");
}

#[test]
fn the_same_recording_gives_the_same_answers() {
    let recording = || {
        let mut bench = Quarantine::with(&stumbles_at(7 * 1_000));
        let values = [5.0, 5.0, 666.0, 1.0, 2.0, 3.0];
        let times = (0..200_u64).map(|n| n * 1_000);
        times.zip(values.iter().cycle()).map(|(at, value)| bench.show(at, *value)).collect::<Vec<_>>()
    };
    assert_eq!(recording(), recording());
    assert_eq!(BACK_OFF[0], Span::secs(2), "the tables above are written for this");
}

/// Asks the nth detector of the mill.
fn asked(inline: &mut Inline, nth: usize, at: Moment) -> Result<Assessment, DetectorFault> {
    let id = DetectorId { machine: name("mill"), detector: DetectorIx(nth) };
    inline.feed(Feed { id, generation: 1, feed: 1, readings: Vec::new(), assess_at: at }).unwrap().outcome
}

#[test]
fn who_finds_no_memory_left_says_so_and_works_once_another_has_gone() {
    let sandbox = Sandbox::new(Execution::Interpreted).unwrap();
    let memory = sandbox.memory().clone();
    // Room for four that start with 256 KiB each.
    memory.set_bytes_max(1 << 20);
    let loader = Loader::new(sandbox, None).compiling_here();
    let module = Arc::new(loader.load(&Handmade::default().file(), Pin::None).unwrap());
    let mut inline = Inline::new();
    let id = |nth| DetectorId { machine: name("mill"), detector: DetectorIx(nth) };
    (0..5).for_each(|nth| inline.install(id(nth), 1, installation(&module)));
    assert!((0..4).all(|nth| asked(&mut inline, nth, Moment(0)).is_ok()));
    let refused = asked(&mut inline, 4, Moment(0)).unwrap_err();
    let DetectorFault::Stopped(why) = refused else { panic!("{refused:?}") };
    assert!(why.starts_with("its start found no memory left: all detectors together may use 1 MiB"), "{why}");
    inline.remove(&id(0));
    assert!(asked(&mut inline, 4, Moment(0) + MEMORY_WAIT).is_ok());
    (1..5).for_each(|nth| inline.remove(&id(nth)));
    assert_eq!(memory.taken_bytes(), 0);
    // One of ours counts from where it began, so that a thousand machines need no rule for it.
    let ours = Arc::new(loader.load(&Handmade::default().file(), Pin::Ours).unwrap());
    inline.install(id(0), 1, installation(&ours));
    assert!(asked(&mut inline, 0, Moment(0)).is_ok());
    assert_eq!(memory.taken_bytes(), 0);
}

/// The machine may lack a signal that its detector can do without.
#[test]
fn each_signal_keeps_its_name_where_another_is_not_there() {
    let modules = Modules::new(Execution::Interpreted, None).unwrap();
    let install = Install {
        id: mill(),
        generation: 1,
        module: ModuleSource::BuiltIn(name("machine-status")),
        settings: serde_json::json!({}),
        signals: vec![None, Some(name("percent"))],
    };
    let installation = modules.installation(&install).unwrap();
    assert_eq!(*installation.signals, [name("status"), name("percent")]);
}
