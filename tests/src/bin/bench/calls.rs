//! One detector, called again and again: as ordinary Rust, and in the sandbox as the guard calls it.

use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, ensure};
use idlegate_detector::testing::Trial;
use idlegate_detector::{Millis, Reading as Shown};
use idlegate_detectors::{Execution, Inline, Installation, Loader, Pin, Sandbox, built_in};
use idlegate_guard::time::Moment;
use idlegate_plan::DetectorIx;
use idlegate_plan::event::{DetectorId, Feed, Name, Reading, Value};

use super::Size;
use super::table::Table;

/// The guard keeps so many readings of a detector at most.
const HISTORY: u32 = 4_096;
const TAKE_OVERS: u32 = 20;
const SETTINGS: &str = r#"{ "busy_watts": 40.0, "dwell": "3 min" }"#;

pub(crate) fn measure(size: Size) -> Result<Table> {
    let mut table = Table::new("one reading and one assessment, ns", &["each", "by native"]);
    let native = native(size.calls)?;
    table.row("native", &[native, 1.0]);
    for (name, execution) in
        [("sandboxed, compiled", Execution::Native), ("sandboxed, interpreted", Execution::Interpreted)]
    {
        let each = sandboxed(size.calls, execution)?;
        table.row(name, &[each, each / native]);
    }
    Ok(table)
}

/// What it costs to show a detector that takes another's place all that the other was shown.
pub(crate) fn measure_taking_over() -> Result<Table> {
    let native = showing_all_native()?;
    let mut table =
        Table::new("a detector in another's place, µs", &["after nothing", "after 4,096", "by native"]);
    table.row("native, 4,096 readings shown anew", &[f64::NAN, native, 1.0]);
    for (name, execution) in
        [("sandboxed, compiled", Execution::Native), ("sandboxed, interpreted", Execution::Interpreted)]
    {
        let (nothing, all) = (taking_over(0, execution)?, taking_over(HISTORY, execution)?);
        table.row(name, &[nothing, all, all / native]);
    }
    Ok(table)
}

fn showing_all_native() -> Result<f64> {
    let begin = Instant::now();
    for _ in 0..TAKE_OVERS {
        let mut trial = Trial::<power_threshold::PowerThreshold>::new(SETTINGS)
            .map_err(|error| anyhow::anyhow!("{error}"))?;
        for nth in 0..HISTORY {
            trial.observe(&Shown::number(0, Millis(u64::from(nth) * 1_000), watts(nth)));
        }
        std::hint::black_box(trial.assess(Millis(u64::from(HISTORY) * 1_000)));
    }
    Ok(begin.elapsed().as_secs_f64() * 1e6 / f64::from(TAKE_OVERS))
}

fn taking_over(history: u32, execution: Execution) -> Result<f64> {
    let (id, installation) = installation(execution)?;
    let mut inline = Inline::new();
    let mut spent = Duration::ZERO;
    for nth in 0..TAKE_OVERS {
        let generation = u64::from(nth) * 2 + 1;
        inline.remove(&id);
        inline.install(id.clone(), generation, installation.clone());
        let shown = (0..history).map(reading).collect();
        let feed = |generation, readings| Feed {
            id: id.clone(),
            generation,
            feed: 1,
            readings,
            assess_at: Moment(u64::from(history) * 1_000),
        };
        inline.feed(feed(generation, shown)).context("not installed")?;
        let begin = Instant::now();
        inline.install(id.clone(), generation + 1, installation.clone());
        let answer = inline.feed(feed(generation + 1, vec![reading(history)])).context("not installed")?;
        spent += begin.elapsed();
        ensure!(answer.outcome.is_ok(), "{:?}", answer.outcome);
    }
    Ok(spent.as_secs_f64() * 1e6 / f64::from(TAKE_OVERS))
}

fn installation(execution: Execution) -> Result<(DetectorId, Installation)> {
    let loader = Loader::new(Sandbox::new(execution)?, None);
    let module = Arc::new(loader.load(built_in("power-threshold").context("no such detector")?, Pin::Ours)?);
    let id = DetectorId { machine: Name::new("mill")?, detector: DetectorIx(0) };
    let signals: Arc<[Name]> =
        module.description().signals.iter().map(|signal| signal.name.clone()).collect();
    Ok((id, Installation { module, settings: SETTINGS.into(), signals }))
}

fn reading(nth: u32) -> (u32, Reading) {
    (0, Reading { at: Moment(u64::from(nth) * 1_000), value: Value::Number(watts(nth)) })
}

fn watts(nth: u32) -> f64 {
    f64::from(nth % 7) + 12.0
}

fn native(calls: u32) -> Result<f64> {
    let mut trial = Trial::<power_threshold::PowerThreshold>::new(SETTINGS)
        .map_err(|error| anyhow::anyhow!("{error}"))?;
    let begin = Instant::now();
    for nth in 0..calls {
        let at = Millis(u64::from(nth) * 1_000);
        trial.observe(&Shown::number(0, at, watts(nth)));
        std::hint::black_box(trial.assess(at));
    }
    Ok(begin.elapsed().as_secs_f64() * 1e9 / f64::from(calls))
}

fn sandboxed(calls: u32, execution: Execution) -> Result<f64> {
    let (id, installation) = installation(execution)?;
    let mut inline = Inline::new();
    inline.install(id.clone(), 1, installation);
    let begin = Instant::now();
    for nth in 0..calls {
        let at = Moment(u64::from(nth) * 1_000);
        let readings = vec![reading(nth)];
        let feed = Feed { id: id.clone(), generation: 1, feed: u64::from(nth) + 1, readings, assess_at: at };
        std::hint::black_box(inline.feed(feed));
    }
    Ok(begin.elapsed().as_secs_f64() * 1e9 / f64::from(calls))
}
