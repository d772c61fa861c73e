//! What the neighbours notice: the time from showing a detector a reading to its assessment, on the host's own threads,
//! undisturbed and beside a detector that loops for ever, in turns so that a noisy computer disturbs both.

use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use anyhow::{Result, bail};
use hdrhistogram::Histogram;
use idlegate::detectors::{Execution, Feed, Installation, Loader, Place, Sandbox, Workers};
use idlegate::event::{Name, Reading, Value};
use idlegate::time::Moment;

use crate::handmade::{ENDLESS, Handmade};

/// How many rounds are asked with the hostile neighbour, and how many without, before they change places.
const TURN: usize = 100;
/// An answer that takes longer is none.
const PATIENCE: Duration = Duration::from_secs(5);

pub(crate) struct Sum {
    pub(crate) ratio_p50: f64,
    pub(crate) ratio_p99: f64,
    pub(crate) unanswered: usize,
}

/// The bell that workers ring.
#[derive(Default)]
struct Bell {
    rung: Mutex<bool>,
    heard: Condvar,
}

struct Bench {
    workers: Workers,
    bell: Arc<Bell>,
    calm: Place,
    hostile: Place,
    feeds: u64,
    unanswered: usize,
}

pub(crate) fn run(asks: usize) -> Result<Sum> {
    let mut bench = Bench::new()?;
    let mut alone = Histogram::<u64>::new_with_bounds(1, 60_000_000_000, 3)?;
    let mut beside = Histogram::<u64>::new_with_bounds(1, 60_000_000_000, 3)?;
    for turn in 0..asks.div_ceil(TURN) * 2 {
        let disturbed = turn % 2 == 1;
        let times = if disturbed { &mut beside } else { &mut alone };
        for _ in 0..TURN {
            if disturbed {
                bench.disturb();
            }
            let taken = bench.ask();
            times.saturating_record(u64::try_from(taken.as_nanos()).unwrap_or(u64::MAX));
        }
    }
    let at = |times: &Histogram<u64>, quantile| Duration::from_nanos(times.value_at_quantile(quantile));
    for (name, times) in [("undisturbed", &alone), ("beside a hostile one", &beside)] {
        println!(
            "{name:<22} reading to assessment p50 {:>9.1?}  p99 {:>9.1?}  p99.9 {:>9.1?}  ({} times)",
            at(times, 0.5),
            at(times, 0.99),
            at(times, 0.999),
            times.len()
        );
    }
    let ratio = |quantile| at(&beside, quantile).as_secs_f64() / at(&alone, quantile).as_secs_f64();
    Ok(Sum { ratio_p50: ratio(0.5), ratio_p99: ratio(0.99), unanswered: bench.unanswered })
}

impl Bench {
    fn new() -> Result<Bench> {
        let bell = Arc::new(Bell::default());
        let rope = bell.clone();
        let workers = Workers::start(Box::new(move || rope.ring()))?;
        let loader = Loader::new(Sandbox::new(Execution::Automatic)?, None);
        let endless = Handmade { observe: ENDLESS.into(), ..Handmade::default() };
        let place = |machine: &str| Place { machine: Name::new(machine).expect("a name"), detector: 0 };
        let bench =
            Bench { workers, bell, calm: place("calm"), hostile: place("hostile"), feeds: 0, unanswered: 0 };
        for (place, detector) in [(&bench.calm, Handmade::default()), (&bench.hostile, endless)] {
            let module = Arc::new(loader.load(&detector.file(), None)?);
            let signals = [Name::new("power").expect("a name")].into();
            let installation = Installation { module, settings: "{}".to_owned(), signals };
            if bench.workers.install(place.clone(), 1, installation).is_err() {
                bail!("no room for two detectors");
            }
        }
        Ok(bench)
    }

    /// Gives the hostile one something to loop over. It is stopped, rebuilt and at last benched, as in the guard.
    fn disturb(&mut self) {
        let feed = self.feed(self.hostile.clone());
        // Once it is benched it takes no more, which is as it should be.
        let _ = self.workers.feed(feed);
    }

    fn ask(&mut self) -> Duration {
        let feed = self.feed(self.calm.clone());
        let number = feed.feed;
        let begun = Instant::now();
        if self.workers.feed(feed).is_err() {
            self.unanswered += 1;
            return PATIENCE;
        }
        while begun.elapsed() < PATIENCE {
            let answers = self.workers.collect();
            if answers.iter().any(|answer| answer.machine == self.calm.machine && answer.feed == number) {
                return begun.elapsed();
            }
            self.bell.wait();
        }
        self.unanswered += 1;
        PATIENCE
    }

    fn feed(&mut self, place: Place) -> Feed {
        self.feeds += 1;
        let at = Moment(self.feeds);
        let readings = vec![(0, Reading { at, value: Value::Number(5.0) })];
        Feed { place, generation: 1, feed: self.feeds, readings, assess_at: at }
    }
}

impl Bell {
    fn ring(&self) {
        *self.rung.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.heard.notify_all();
    }

    fn wait(&self) {
        let rung = self.rung.lock().unwrap_or_else(PoisonError::into_inner);
        let waited = self.heard.wait_timeout_while(rung, Duration::from_millis(100), |rung| !*rung);
        *waited.unwrap_or_else(PoisonError::into_inner).0 = false;
    }
}
