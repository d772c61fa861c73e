//! When the temperature will be safe at the earliest, if the readings are enough to say.
//!
//! The answer is a lower bound, so every doubt counts as "sooner": the fastest cooling seen in the window, the coldest
//! ambient temperature it may tend to. A part that cools ever more slowly than Newton's law says (evaporation, a core
//! that is hotter than its surface) keeps the bound true. One whose cooling gathers speed would not: no forecast.

use crate::newton::{self, Fit, Sample};

/// Fewer means than this say nothing about a curve.
const SAMPLES_MIN: usize = 8;

/// A fit holds if the readings stray from it by less than this share of what they fell.
const DEVIATION_SHARE_MAX: f64 = 0.1;

/// How many standard errors the rate may be wrong by.
const RATE_ERRORS: f64 = 4.0;

/// How many standard deviations below the curve the first safe reading may be.
const NOISE_DEVIATIONS: f64 = 2.0;

/// Cooling gathers speed if the later half of the window is faster than the earlier by more than this factor.
const SPEEDUP_MAX: f64 = 1.25;

/// The warmest ambient a fit may claim. Cooling that is fast at first looks like a warm room that is soon reached.
const FITTED_AMBIENT_CEL_MAX: f64 = 10.0;

/// The seconds from the last sample until `safe_cel` is reached at the earliest.
pub(crate) fn secs_at_least(samples: &[Sample], safe_cel: f64, ambient_cel: Option<f64>) -> Option<f64> {
    let last = samples.last()?;
    if samples.len() < SAMPLES_MIN {
        return None;
    }
    let ambient = ambient_cel.unwrap_or_else(|| fitted_ambient(samples));
    let whole = newton::fit_with_ambient(samples, ambient)?;
    let rate = fastest(samples, &whole).filter(|_| holds(samples, &whole))?;
    // The sensor's noise may also make a reading safe sooner than the curve is.
    let now = last.temperature.min(whole.temperature_at(last.time)) - NOISE_DEVIATIONS * whole.deviation;
    let (excess, excess_safe) = (now - ambient, safe_cel - ambient);
    (excess > 0.0 && excess_safe > 0.0).then(|| ((excess / excess_safe).ln() / rate).max(0.0))
}

fn fitted_ambient(samples: &[Sample]) -> f64 {
    newton::fit(samples).map_or(FITTED_AMBIENT_CEL_MAX, |fit| fit.ambient.min(FITTED_AMBIENT_CEL_MAX))
}

fn holds(samples: &[Sample], fit: &Fit) -> bool {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return false };
    let fall = fit.temperature_at(first.time) - fit.temperature_at(last.time);
    fit.deviation < DEVIATION_SHARE_MAX * fall && fit.rate > RATE_ERRORS * fit.rate_error
}

/// The fastest rate that the window, or either half of it, may have; `None` while cooling gathers speed.
fn fastest(samples: &[Sample], whole: &Fit) -> Option<f64> {
    let (early, late) = samples.split_at(samples.len() / 2);
    let rate_of = |half| newton::fit_with_ambient(half, whole.ambient).map_or(0.0, |fit| fit.rate);
    let (early, late) = (rate_of(early), rate_of(late));
    // Half the samples over half the time: the error of a half's rate is about three times that of the whole.
    let noise = RATE_ERRORS * 3.0 * whole.rate_error;
    if late > SPEEDUP_MAX * early + noise {
        return None;
    }
    Some((whole.rate + RATE_ERRORS * whole.rate_error).max(early).max(late))
}
