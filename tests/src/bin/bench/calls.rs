//! One detector, called again and again: as ordinary Rust, and in the sandbox as the guard calls it.

use std::sync::Arc;
use std::time::Instant;

use anyhow::{Context as _, Result};
use idlegate::detectors::{Execution, Feed, Inline, Installation, Loader, Place, Sandbox, built_in};
use idlegate::event::{Name, Reading, Value};
use idlegate::time::Moment;
use idlegate_detector::testing::Trial;
use idlegate_detector::{Millis, Reading as Shown};

use super::Size;
use super::table::Table;

const SETTINGS: &str = r#"{ "busy_above": 40.0, "idle_for": "3 min" }"#;

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
    let loader = Loader::new(Sandbox::new(execution)?, None);
    let module = Arc::new(loader.load(built_in("power-threshold").context("no such detector")?, None)?);
    let place = Place { machine: Name::new("mill")?, detector: 0 };
    let signals: Arc<[Name]> =
        module.description().signals.iter().map(|signal| signal.name.clone()).collect();
    let mut inline = Inline::new();
    inline.install(place.clone(), 1, Installation { module, settings: SETTINGS.into(), signals });
    let begin = Instant::now();
    for nth in 0..calls {
        let at = Moment(u64::from(nth) * 1_000);
        let readings = vec![(0, Reading { at, value: Value::Number(watts(nth)) })];
        let feed =
            Feed { place: place.clone(), generation: 1, feed: u64::from(nth) + 1, readings, assess_at: at };
        std::hint::black_box(inline.feed(feed));
    }
    Ok(begin.elapsed().as_secs_f64() * 1e9 / f64::from(calls))
}
