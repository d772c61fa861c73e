//! When was the machine working, if nobody says?
//!
//! Its usual low draw is found, then the runs above it, then how long a pause inside a job is: where the pauses between
//! runs fall into short ones and long ones, the short ones belong to a job.

use super::levels::quantile;
use super::marks::Interval;
use super::take::{Take, since};
use crate::time::{Span, WallTime};

/// Without a clear division, runs closer together than this are one job.
const PAUSE_USUAL: Span = Span::secs(180);
/// A job's pause is no longer than this, and a division below the first is none.
const PAUSE_MAX: Span = Span::secs(45 * 60);
const DIVISION_MIN: Span = Span::secs(60);
/// The first long pause is at least so many times the last short one.
const DIVISION_RATIO_MIN: f64 = 2.0;
/// What is shorter and draws little more than the level is a flicker of the standby.
const JOB_MIN: Span = Span::secs(20);

/// The jobs of each recording, found from all of them together.
pub(super) fn find(takes: &[Take]) -> Vec<Interval> {
    let mut draws: Vec<f64> =
        takes.iter().flat_map(|take| take.samples.iter().map(|sample| sample.watts)).collect();
    draws.retain(|watts| watts.is_finite());
    draws.sort_unstable_by(f64::total_cmp);
    let Some(level) = quiet_level(&draws) else { return Vec::new() };
    let runs: Vec<Vec<Interval>> = takes.iter().map(|take| runs_above(take, level)).collect();
    let mut pauses: Vec<Span> = runs
        .iter()
        .flat_map(|runs| runs.windows(2).map(|pair| since(pair[0].until, pair[1].from)))
        .filter(|pause| *pause > Span::ZERO)
        .collect();
    pauses.sort_unstable();
    let pause_max = division(&pauses);
    let mut jobs = Vec::new();
    for (take, runs) in takes.iter().zip(runs) {
        for job in merged(runs, pause_max) {
            let peak =
                take.samples.iter().filter(|sample| job.contains(sample.at)).map(|sample| sample.watts);
            if since(job.from, job.until) >= JOB_MIN || peak.fold(0.0, f64::max) > 5.0 * level + 50.0 {
                jobs.push(job);
            }
        }
    }
    jobs
}

/// A level just above the usual low draw: the most frequent draw in the lower half, and how far readings stray from it.
fn quiet_level(sorted: &[f64]) -> Option<f64> {
    let (lowest, highest) = (*sorted.first()?, *sorted.last()?);
    let bin = |watts: f64| -> u32 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a logarithm, and not negative"
        )]
        let bin = ((watts.max(0.0) / 4.0).ln_1p() * 8.0) as u32;
        bin
    };
    // Of the draws that take a tenth of the time at least, the lowest: a machine that is mostly working has a standby, too.
    let mut counts = std::collections::BTreeMap::<u32, usize>::new();
    for watts in sorted {
        *counts.entry(bin(*watts)).or_default() += 1;
    }
    let (mode, _) = counts.iter().find(|(_, count)| **count * 10 >= sorted.len())?;
    let near: Vec<f64> = sorted.iter().copied().filter(|watts| bin(*watts).abs_diff(*mode) <= 1).collect();
    let usual = quantile(&near, 0.5);
    let stray = quantile(&near, 0.99) - usual;
    let level = usual + 3f64.max(0.2 * usual).max(1.5 * stray);
    // All one draw: nothing tells working from idle.
    (level < highest && lowest < level).then_some(level)
}

fn runs_above(take: &Take, level: f64) -> Vec<Interval> {
    let mut runs: Vec<Interval> = Vec::new();
    let mut running = false;
    for sample in &take.samples {
        let above = sample.watts > level;
        match runs.last_mut() {
            Some(run) if above && running => run.until = sample.at,
            Some(_) | None if above => runs.push(Interval { from: sample.at, until: sample.at }),
            Some(_) | None => {}
        }
        running = above;
    }
    runs
}

/// The longest pause that still belongs to a job: below the widest step between one length of pause and the next.
fn division(sorted: &[Span]) -> Span {
    let steps = sorted.windows(2).filter(|pair| pair[1] >= DIVISION_MIN && pair[0] <= PAUSE_MAX);
    let ratio =
        |pair: &[Span]| super::levels::millis(pair[1]) / super::levels::millis(pair[0].max(Span::secs(30)));
    let widest = steps.max_by(|one, other| ratio(one).total_cmp(&ratio(other)));
    match widest {
        Some(pair) if ratio(pair) >= DIVISION_RATIO_MIN => pair[0].max(DIVISION_MIN),
        Some(_) | None => PAUSE_USUAL,
    }
}

fn merged(runs: Vec<Interval>, pause_max: Span) -> Vec<Interval> {
    let mut jobs: Vec<Interval> = Vec::new();
    for run in runs {
        match jobs.last_mut() {
            Some(job) if since(job.until, run.from) <= pause_max => job.until = run.until,
            Some(_) | None => jobs.push(run),
        }
    }
    jobs.into_iter()
        .map(|job| Interval { from: job.from, until: WallTime(job.until.0.max(job.from.0 + 1)) })
        .collect()
}
