//! What the neighbours notice: the time from showing a detector a reading to its assessment, on the host's own threads,
//! undisturbed and beside detectors that compute nearly as long as they may in every call, so that they are never
//! stopped; in turns so that a noisy computer disturbs both.

use std::collections::BTreeSet;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

use anyhow::{Result, anyhow, bail};
use hdrhistogram::Histogram;
use idlegate_detectors::limits::CALL_CPU_TIME;
use idlegate_detectors::{Installation, Instance, Module, Workers};
use idlegate_guard::time::Moment;
use idlegate_plan::DetectorIx;
use idlegate_plan::event::{Assessed, DetectorId, Feed, Name, Reading, Value};

use crate::corpus::Host;
use crate::handmade::Handmade;

/// How many rounds are asked with the hostile neighbour, and how many without, before they change places.
const TURN: usize = 100;
/// Those that compute as long as they may.
const HOSTILE: usize = 4;
/// Of the processor time that a call may take however busy the computer is.
const SHARE: f64 = 0.8;
/// Between two questions, so that a turn lasts longer than a call of a hostile one.
const PAUSE: Duration = Duration::from_micros(250);
/// An answer that takes longer is none.
const PATIENCE: Duration = Duration::from_secs(5);

pub(crate) struct Sum {
    pub(crate) ratio_p50: f64,
    pub(crate) ratio_p99: f64,
    pub(crate) unanswered: usize,
    /// Answers of the hostile ones, and how many of their calls were stopped.
    pub(crate) hostile_answers: usize,
    pub(crate) hostile_stopped: usize,
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
    calm: DetectorId,
    hostile: Vec<DetectorId>,
    /// Those of them that are computing, or are going to.
    computing: BTreeSet<Name>,
    /// What a hostile one is shown: so many turns it takes.
    turns: f64,
    feeds: u64,
    unanswered: usize,
    hostile_answers: usize,
    hostile_stopped: usize,
}

/// Takes as many turns as the reading says. The next reading is taken up where this one ended: nothing can be left out.
fn tireless() -> Handmade {
    Handmade {
        items: "(global $sum (mut i64) (i64.const 1))".into(),
        observe: "(local $turns i64)
            (local.set $turns (i64.trunc_sat_f64_u (f64.load offset=24 (local.get $list))))
            (loop $again
                (global.set $sum (i64.add (i64.mul (global.get $sum) (i64.const 6364136223846793005)) (i64.const 1)))
                (local.set $turns (i64.sub (local.get $turns) (i64.const 1)))
                (br_if $again (i64.gt_s (local.get $turns) (i64.const 0))))
            (global.set $seen (i32.add (global.get $seen) (i32.const 1)))"
            .into(),
        ..Handmade::default()
    }
}

/// How many turns take nearly as long as a call may.
fn turns_of(module: &Module) -> Result<f64> {
    let signals = [Name::new("power").expect("a name")].into();
    let mut instance = Instance::new(module, "{}", signals).map_err(|error| anyhow!("{error}"))?;
    const SAMPLE: f64 = 1e6;
    let mut fastest = Duration::MAX;
    for at in 1..=20 {
        let begun = Instant::now();
        instance.observe(&[(0, Reading { at: Moment(at), value: Value::Number(SAMPLE) })])?;
        fastest = fastest.min(begun.elapsed());
    }
    Ok(SAMPLE * SHARE * CALL_CPU_TIME.as_secs_f64() / fastest.as_secs_f64())
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
            std::thread::sleep(PAUSE);
            let taken = bench.ask();
            times.saturating_record(u64::try_from(taken.as_nanos()).unwrap_or(u64::MAX));
        }
        bench.calm_down();
    }
    let at = |times: &Histogram<u64>, quantile| Duration::from_nanos(times.value_at_quantile(quantile));
    println!(
        "{HOSTILE} detectors that compute for {:.0} ms in every call: {} calls answered, {} stopped",
        SHARE * CALL_CPU_TIME.as_secs_f64() * 1e3,
        bench.hostile_answers,
        bench.hostile_stopped
    );
    for (name, times) in [("undisturbed", &alone), ("beside hostile ones", &beside)] {
        println!(
            "{name:<22} reading to assessment p50 {:>9.1?}  p99 {:>9.1?}  p99.9 {:>9.1?}  ({} times)",
            at(times, 0.5),
            at(times, 0.99),
            at(times, 0.999),
            times.len()
        );
    }
    let ratio = |quantile| at(&beside, quantile).as_secs_f64() / at(&alone, quantile).as_secs_f64();
    Ok(Sum {
        ratio_p50: ratio(0.5),
        ratio_p99: ratio(0.99),
        unanswered: bench.unanswered,
        hostile_answers: bench.hostile_answers,
        hostile_stopped: bench.hostile_stopped,
    })
}

impl Bench {
    fn new() -> Result<Bench> {
        let bell = Arc::new(Bell::default());
        let rope = bell.clone();
        let workers = Workers::start(Box::new(move || rope.ring()))?;
        let host = Host::new()?;
        let load = |detector: Handmade| host.load(&detector.file()).map_err(|why| anyhow!("{why}"));
        let (calm_one, hostile_one) = (load(Handmade::default())?, load(tireless())?);
        let id = |machine: &str| DetectorId {
            machine: Name::new(machine).expect("a name"),
            detector: DetectorIx(0),
        };
        let bench = Bench {
            workers,
            bell,
            calm: id("calm"),
            hostile: (0..HOSTILE).map(|nth| id(&format!("hostile-{nth}"))).collect(),
            computing: BTreeSet::new(),
            turns: turns_of(&hostile_one)?,
            feeds: 0,
            unanswered: 0,
            hostile_answers: 0,
            hostile_stopped: 0,
        };
        let all = bench.hostile.iter().map(|id| (id, hostile_one.clone()));
        for (id, module) in std::iter::once((&bench.calm, calm_one)).chain(all) {
            let signals = [Name::new("power").expect("a name")].into();
            let installation = Installation { module, settings: "{}".to_owned(), signals };
            if bench.workers.install(id.clone(), 1, installation).is_err() {
                bail!("no room for two detectors");
            }
        }
        Ok(bench)
    }

    /// Gives those hostile ones something to compute that have nothing to do.
    fn disturb(&mut self) {
        for nth in 0..self.hostile.len() {
            let id = self.hostile[nth].clone();
            if self.computing.insert(id.machine.clone()) {
                let feed = self.feed(id, self.turns);
                self.unanswered += usize::from(self.workers.feed(feed).is_err());
            }
        }
    }

    /// Waits until no hostile one computes.
    fn calm_down(&mut self) {
        let begun = Instant::now();
        while !self.computing.is_empty() && begun.elapsed() < PATIENCE {
            self.collect();
            self.bell.wait();
        }
        self.unanswered += self.computing.len();
        self.computing.clear();
    }

    fn collect(&mut self) -> Vec<Assessed> {
        let answers = self.workers.collect();
        for answer in answers.iter().filter(|answer| self.computing.contains(&answer.machine)) {
            self.hostile_answers += 1;
            self.hostile_stopped += usize::from(answer.outcome.is_err());
        }
        self.computing.retain(|machine| answers.iter().all(|answer| answer.machine != *machine));
        answers
    }

    fn ask(&mut self) -> Duration {
        let feed = self.feed(self.calm.clone(), 5.0);
        let number = feed.feed;
        let begun = Instant::now();
        if self.workers.feed(feed).is_err() {
            self.unanswered += 1;
            return PATIENCE;
        }
        while begun.elapsed() < PATIENCE {
            let answers = self.collect();
            if answers.iter().any(|answer| answer.machine == self.calm.machine && answer.feed == number) {
                return begun.elapsed();
            }
            self.bell.wait();
        }
        self.unanswered += 1;
        PATIENCE
    }

    fn feed(&mut self, id: DetectorId, watts: f64) -> Feed {
        self.feeds += 1;
        let at = Moment(self.feeds);
        let readings = vec![(0, Reading { at, value: Value::Number(watts) })];
        Feed { id, generation: 1, feed: self.feeds, readings, assess_at: at }
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
