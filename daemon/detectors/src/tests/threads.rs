//! Many detectors on few threads: none delays another, none is forgotten, nothing grows.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Duration;

use super::fixture::{Handmade, name, number};
use crate::limits::MAILBOX_READINGS_MAX;
use crate::{Installation, Module, NotInstalled, Workers};
use idlegate_guard::time::Moment;
use idlegate_plan::DetectorIx;
use idlegate_plan::event::{Assessed, DetectorFault, DetectorId, Feed};

struct Shop {
    workers: Workers,
    woken: Receiver<()>,
}

impl Shop {
    fn open() -> Shop {
        let (wake, woken) = sync_channel(1);
        let workers = Workers::start(Box::new(move || _ = wake.try_send(()))).unwrap();
        Shop { workers, woken }
    }

    fn install(&self, machine: &str, generation: u64, module: &Arc<Module>) {
        let signals = [name("power")].into();
        let installation = Installation { module: module.clone(), settings: "{}".into(), signals };
        self.workers.install(id(machine), generation, installation).unwrap();
    }

    fn feed(&self, machine: &str, generation: u64, feed: u64, value: f64) {
        self.try_feed(machine, generation, feed, value).unwrap();
    }

    fn try_feed(&self, machine: &str, generation: u64, feed: u64, value: f64) -> Result<(), NotInstalled> {
        let at = feed * 1_000;
        let readings = vec![number(at, value)];
        self.workers.feed(Feed { id: id(machine), generation, feed, readings, assess_at: Moment(at) })
    }

    /// The next answers, however long they take; a minute without any is a hang.
    fn answers(&self) -> Vec<Assessed> {
        loop {
            match self.workers.collect() {
                none if none.is_empty() => self.woken.recv_timeout(Duration::from_secs(60)).unwrap(),
                some => return some,
            }
        }
    }

    fn answer(&self) -> Assessed {
        let mut answers = self.answers();
        assert_eq!(answers.len(), 1, "{answers:?}");
        answers.remove(0)
    }
}

fn id(machine: &str) -> DetectorId {
    DetectorId { machine: name(machine), detector: DetectorIx(0) }
}

fn reason(answer: &Assessed) -> String {
    match &answer.outcome {
        Ok(assessment) => assessment.reason.to_string(),
        Err(
            DetectorFault::NotLoaded(why)
            | DetectorFault::Stopped(why)
            | DetectorFault::FellBehind(why)
            | DetectorFault::Quarantined(why),
        ) => why.clone(),
    }
}

#[test]
fn looping_detectors_delay_only_each_other() {
    let shop = Shop::open();
    let module = Handmade::default().module();
    shop.install("mill", 1, &module);
    shop.feed("mill", 1, 1, 5.0);
    assert_eq!(reason(&shop.answer()), "seen 1");

    let loopers: Vec<String> = (0..10).map(|n| format!("kiln-{n}")).collect();
    for kiln in &loopers {
        shop.install(kiln, 1, &module);
        shop.feed(kiln, 1, 1, 777.0);
    }
    // The mill is asked fifty times, one after the other, and answers before the kilns have had their turn.
    let mut stopped = Vec::new();
    for feed in 2..52 {
        shop.feed("mill", 1, feed, 5.0);
        loop {
            let (mill, kilns): (Vec<_>, Vec<_>) =
                shop.answers().into_iter().partition(|answer| answer.machine == name("mill"));
            stopped.extend(kilns);
            if let [answer] = &mill[..] {
                assert_eq!((answer.feed, reason(answer)), (feed, format!("seen {}", feed % 10)));
                break;
            }
        }
    }
    assert!(stopped.len() < loopers.len(), "the mill had to wait for every kiln");
    while stopped.len() < loopers.len() {
        stopped.extend(shop.answers());
    }
    for answer in &stopped {
        assert_eq!(reason(answer), "observe took longer than 50 ms; tried again in 2 s");
    }
}

#[test]
fn an_owner_who_is_slow_to_collect_finds_the_newest_answered() {
    let shop = Shop::open();
    shop.install("mill", 1, &Handmade::default().module());
    shop.feed("mill", 1, 1, 5.0);
    // The answer to the first lies there and is not collected; the others wait and are answered together.
    shop.woken.recv().unwrap();
    for feed in 2..=9 {
        shop.feed("mill", 1, feed, 5.0);
    }
    let first = shop.answer();
    assert_eq!((first.feed, reason(&first)), (1, "seen 1".into()));
    let last = shop.answer();
    assert_eq!((last.feed, last.at, reason(&last)), (9, Moment(9_000), "seen 9".into()));
    assert!(shop.workers.collect().is_empty());
}

#[test]
fn a_detector_that_fell_too_far_behind_starts_over_and_says_so() {
    let shop = Shop::open();
    shop.install("mill", 1, &Handmade::default().module());
    shop.feed("mill", 1, 1, 5.0);
    shop.woken.recv().unwrap();
    let flood = MAILBOX_READINGS_MAX as u64 + 3;
    for feed in 2..2 + flood {
        shop.feed("mill", 1, feed, 5.0);
    }
    assert_eq!(shop.answer().feed, 1);
    let behind = shop.answer();
    assert_eq!(behind.feed, flood + 1);
    assert_eq!(reason(&behind), "3 readings were lost; it starts over");
    shop.feed("mill", 1, flood + 2, 5.0);
    // All of the mailbox and the new one; what was before the gap is forgotten.
    assert_eq!(reason(&shop.answer()), format!("seen {}", (MAILBOX_READINGS_MAX) % 10));
}

#[test]
fn a_replaced_or_removed_detector_gives_no_more_answers() {
    let shop = Shop::open();
    let module = Handmade::default().module();
    shop.install("mill", 1, &module);
    for feed in 1..=200 {
        shop.feed("mill", feed, feed, 5.0);
        // Whether it was waiting, at work or done, the next one takes over here.
        shop.install("mill", feed + 1, &module);
    }
    assert_eq!(shop.try_feed("mill", 200, 201, 5.0), Err(NotInstalled));
    shop.feed("mill", 201, 202, 5.0);
    let last = shop.answer();
    // It has the history of all that went before it.
    assert_eq!((last.generation, last.feed, reason(&last)), (201, 202, "seen 1".into()));
    shop.feed("mill", 201, 203, 5.0);
    shop.workers.remove(&id("mill"));
    assert_eq!(shop.try_feed("mill", 201, 204, 5.0), Err(NotInstalled));
    // What was asked of it is no longer answered, while others are.
    shop.install("kiln", 1, &module);
    shop.feed("kiln", 1, 1, 5.0);
    assert_eq!(shop.answer().machine, name("kiln"));
}

#[test]
fn closing_does_not_wait_for_what_was_not_begun() {
    let shop = Shop::open();
    let module = Handmade::default().module();
    for n in 0..100 {
        let kiln = format!("kiln-{n}");
        shop.install(&kiln, 1, &module);
        shop.feed(&kiln, 1, 1, 777.0);
    }
    drop(shop.workers);
}
