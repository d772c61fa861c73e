//! What idle looks like: a band of draws, and whether the machine comes down to the lowest of them after its jobs.

use super::dwell::HORIZON;
use super::levels::{Scene, quantile};
use super::take::{Sample, since};
use idlegate_guard::time::WallTime;

/// Fewer readings long after jobs tell nothing of their own.
const READINGS_MIN: usize = 100;
/// So many of the readings of a band lie in it; the others are blips.
const USUAL: f64 = 0.995;

pub(super) struct Band {
    /// What it draws in quiet times that are further from the job before them than the horizon.
    rest: Vec<f64>,
    /// How far a reading strays by itself: the meter's step, or its noise if that is more.
    pub(super) margin_watts: f64,
}

impl Band {
    pub(super) fn of(scene: &Scene<'_>) -> Band {
        let mut rest = Vec::new();
        for stage in &scene.stages {
            for (_, before, samples) in stage.quiet_samples() {
                let far = |sample: &&Sample| before.is_none_or(|before| since(before, sample.at) >= HORIZON);
                rest.extend(samples.iter().filter(far).map(|sample| sample.watts));
            }
        }
        rest.retain(|watts| watts.is_finite());
        let mut strays: Vec<f64> = rest.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        strays.sort_unstable_by(f64::total_cmp);
        rest.sort_unstable_by(f64::total_cmp);
        if rest.len() < READINGS_MIN {
            rest.clone_from(&scene.quiet);
        }
        // A reading one step above the band is still the band, rounded up.
        let margin_watts = (1.25 * step_watts(scene)).max(quantile(&strays, 0.5));
        Band { rest, margin_watts }
    }

    /// Levels to try, from the lowest: above what it draws long after jobs, and above what runs on right after them.
    pub(super) fn levels_watts(&self, scene: &Scene<'_>) -> Vec<f64> {
        let above = |draws: &[f64], part: f64| quantile(draws, part) + self.margin_watts;
        let mut levels = vec![above(&self.rest, USUAL)];
        for part in [USUAL, 0.999, 1.0] {
            let level = above(&scene.quiet, part);
            if levels.iter().all(|lower| level > *lower) {
                levels.push(level);
            }
        }
        levels
    }
}

/// The smallest difference between two draws that the meter tells. Where few draws occur, it is no more than ten units
/// of the last digit.
fn step_watts(scene: &Scene<'_>) -> f64 {
    let mut draws: Vec<f64> = scene.quiet.iter().chain(&scene.working).copied().collect();
    draws.sort_unstable_by(f64::total_cmp);
    draws.dedup();
    let least = draws.windows(2).map(|pair| pair[1] - pair[0]).fold(f64::INFINITY, f64::min);
    let whole = |unit: &f64| draws.iter().all(|watts| (watts / unit - (watts / unit).round()).abs() < 1e-6);
    let last_digit = [1.0, 0.1, 0.01].into_iter().find(whole).unwrap_or(0.001);
    least.min(10.0 * last_digit)
}

/// The draw at which the machine stays after each of its jobs, for a quarter of an hour at least, although it rests at
/// a lower one at other times. In a pause it would draw as much: its electronics are on.
pub(super) fn stays_on_watts(scene: &Scene<'_>) -> Option<f64> {
    let mut lowest: Option<(f64, f64)> = None;
    let mut after_jobs: Vec<f64> = Vec::new();
    for stage in &scene.stages {
        for (quiet, before, samples) in stage.quiet_samples() {
            if since(quiet.from, quiet.until) < HORIZON {
                continue;
            }
            let mut from = quiet.from;
            while since(from, quiet.until) >= HORIZON {
                let band = quarter(samples, from);
                if let Some(band) = band.filter(|band| lowest.is_none_or(|lowest| band.1 < lowest.1)) {
                    lowest = Some(band);
                }
                if before.is_some() && from == quiet.from {
                    after_jobs.extend(band.map(|band| band.0));
                }
                from = WallTime(from.0 + i64::try_from(HORIZON.0 / 2).unwrap_or(i64::MAX));
            }
        }
    }
    let (low, high) = lowest?;
    let least = after_jobs.iter().copied().reduce(f64::min)?;
    (least > high + (high - low)).then_some(least)
}

/// What one reading in ten is below, and one in ten above, in the quarter of an hour from then.
fn quarter(samples: &[Sample], from: WallTime) -> Option<(f64, f64)> {
    let begin = samples.partition_point(|sample| sample.at < from);
    let until = WallTime(from.0 + i64::try_from(HORIZON.0).unwrap_or(i64::MAX));
    let end = samples.partition_point(|sample| sample.at < until);
    let inside = samples.get(begin..end).filter(|inside| inside.len() >= 10)?;
    let mut draws: Vec<f64> = inside.iter().map(|sample| sample.watts).collect();
    draws.sort_unstable_by(f64::total_cmp);
    Some((quantile(&draws, 0.1), quantile(&draws, 0.9)))
}
