//! When was the machine working, if nobody says?
//!
//! A time of work is what lies between two silences of a quarter of an hour or more. How many silences there are
//! depends on the level that counts as quiet, but hardly over the wide gap between what a machine draws idle and what
//! it draws at work: there the lowest level is taken. A pause and the time between two short jobs look alike, so the
//! latter count as pauses here, until somebody marks the jobs.

use super::dwell::HORIZON;
use super::marks::Interval;
use super::take::{Take, since};

/// More levels than this tell nothing new.
const LEVELS_MAX: usize = 200;
/// A range of levels counts as a gap if it is at least so wide, beside the widest, in doublings of the draw.
const WIDE_PART: f64 = 1.0 / 3.0;
const MINUTE_MILLIS: i64 = 60_000;

/// The jobs of each recording, found from all of them together.
pub(super) fn find(takes: &[Take]) -> Vec<Interval> {
    let Some(Between { idle_watts_max: level, .. }) = between(takes) else { return Vec::new() };
    takes.iter().flat_map(|take| worked_above(take, level)).collect()
}

/// Runs above the level, joined over silences shorter than the horizon.
fn worked_above(take: &Take, level: f64) -> Vec<Interval> {
    let mut jobs: Vec<Interval> = Vec::new();
    for sample in take.samples.iter().filter(|sample| sample.watts > level) {
        match jobs.last_mut() {
            Some(job) if since(job.until, sample.at) < HORIZON => job.until = sample.at,
            Some(_) | None => jobs.push(Interval { from: sample.at, until: sample.at }),
        }
    }
    // One reading alone is a blip of the meter as likely as a job.
    jobs.retain(|job| job.until > job.from);
    jobs
}

/// The gap between idle and work.
pub(super) struct Between {
    /// The highest draw that still is idle.
    idle_watts_max: f64,
    /// How wide it is, in doublings of the draw beyond the meter's step.
    wide: f64,
    step_watts: f64,
}

impl Between {
    /// As far from idle as from work.
    pub(super) fn middle_watts(&self) -> f64 {
        (self.idle_watts_max + self.step_watts) * (self.wide / 2.0).exp() - self.step_watts
    }
}

pub(super) fn between(takes: &[Take]) -> Option<Between> {
    let minutes: Vec<Vec<f64>> = takes.iter().map(highest_by_minute).collect();
    let mut draws: Vec<f64> =
        minutes.iter().flatten().copied().filter(|watts| watts.is_finite() && *watts >= 0.0).collect();
    draws.sort_unstable_by(f64::total_cmp);
    draws.dedup();
    let step = draws.windows(2).map(|pair| pair[1] - pair[0]).fold(f64::INFINITY, f64::min);
    let levels = thinned(&draws);
    let highest = *levels.last()?;
    let mut gaps: Vec<(f64, f64)> = Vec::new();
    let mut before = None;
    for (index, level) in levels.iter().enumerate() {
        let silences: usize = minutes.iter().map(|minutes| long_silences(minutes, *level)).sum();
        // At first it is never quiet, and at last it does not work.
        if silences == 0 {
            continue;
        }
        if silences == minutes.len() && *level >= highest {
            break;
        }
        let next = levels.get(index + 1).copied().unwrap_or(highest);
        let doublings = ((next + step) / (level + step)).ln();
        match gaps.last_mut() {
            Some((_, wide)) if before == Some(silences) => *wide += doublings,
            Some(_) | None => gaps.push((*level, doublings)),
        }
        before = Some(silences);
    }
    let widest = gaps.iter().map(|(_, wide)| *wide).fold(0.0, f64::max);
    let (idle_watts_max, wide) = *gaps.iter().find(|(_, wide)| *wide > 0.0 && *wide >= widest * WIDE_PART)?;
    Some(Between { idle_watts_max, wide, step_watts: step })
}

fn highest_by_minute(take: &Take) -> Vec<f64> {
    let mut minutes = Vec::new();
    for sample in &take.samples {
        let minute = usize::try_from((sample.at.0 - take.from().0) / MINUTE_MILLIS).unwrap_or(0);
        if minutes.len() <= minute {
            minutes.resize(minute + 1, f64::NEG_INFINITY);
        }
        minutes[minute] = f64::max(minutes[minute], sample.watts);
    }
    minutes
}

fn thinned(sorted: &[f64]) -> Vec<f64> {
    let every = sorted.len().div_ceil(LEVELS_MAX).max(1);
    let last = sorted.last().copied();
    let mut levels: Vec<f64> = sorted.iter().copied().step_by(every).collect();
    levels.extend(last.filter(|last| levels.last() != Some(last)));
    levels
}

/// How many silences of the horizon or longer there are below this level, those before the first work and after the
/// last included.
fn long_silences(minutes: &[f64], level: f64) -> usize {
    let minute = u64::try_from(MINUTE_MILLIS).unwrap_or(u64::MAX);
    let horizon = usize::try_from(HORIZON.millis() / minute).unwrap_or(usize::MAX);
    let (mut silences, mut quiet) = (0, 0);
    for watts in minutes.iter().chain(std::iter::once(&f64::INFINITY)) {
        if *watts > level {
            silences += usize::from(quiet >= horizon);
            quiet = 0;
        } else {
            quiet += 1;
        }
    }
    silences
}
