//! Newton's law of cooling, `T(t) = ambient + excess · exp(-rate · t)`, fitted to readings by least squares.
//!
//! Pure arithmetic in whatever unit of time and temperature the samples use; the checks against published examples
//! stand at the end. Nothing here decides anything.

/// A temperature at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// The time, from any origin.
    pub time: f64,
    /// The temperature.
    pub temperature: f64,
}

/// The law with the figures that fit best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// What the temperature tends to.
    pub ambient: f64,
    /// Above ambient at `origin`; negative while something cold warms up.
    pub excess: f64,
    /// The time at which the excess was `excess`.
    pub origin: f64,
    /// The share of the excess lost per unit of time; positive.
    pub rate: f64,
    /// The standard error of the rate, ambient taken as known; zero when there are no more samples than unknowns.
    pub rate_error: f64,
    /// The standard deviation of the samples about the curve.
    pub deviation: f64,
}

impl Fit {
    /// The temperature that the curve has at a time.
    pub fn temperature_at(&self, time: f64) -> f64 {
        self.ambient + self.excess * (-self.rate * (time - self.origin)).exp()
    }

    /// The time at which the curve has a temperature, unless it never does.
    pub fn time_of(&self, temperature: f64) -> Option<f64> {
        let ratio = self.excess / (temperature - self.ambient);
        (ratio > 0.0 && ratio.is_finite()).then(|| self.origin + ratio.ln() / self.rate)
    }
}

/// More than enough: from a start on the logarithm, four or five steps settle it.
const STEPS_MAX: usize = 40;

/// Fits excess and rate with a known ambient temperature. `None` if the samples do not tend to it.
pub fn fit_with_ambient(samples: &[Sample], ambient: f64) -> Option<Fit> {
    let mut fit = start(samples, ambient)?;
    let mut squares = sum_of_squares(samples, &fit);
    for _ in 0..STEPS_MAX {
        let Some((excess_step, rate_step)) = step(samples, &fit) else { break };
        let moved = |share: f64| Fit {
            excess: fit.excess + share * excess_step,
            rate: fit.rate + share * rate_step,
            ..fit
        };
        // A step that overshoots is halved until it helps.
        let better = (0..20)
            .map(|halvings| moved(0.5_f64.powi(halvings)))
            .find(|candidate| sum_of_squares(samples, candidate) <= squares);
        let Some(better) = better else { break };
        let settled = (better.rate - fit.rate).abs() <= 1e-14 * fit.rate.abs();
        fit = better;
        squares = sum_of_squares(samples, &fit);
        if settled {
            break;
        }
    }
    finished(samples, fit, squares, 2.0)
}

/// A straight line through the logarithms of the excess, weighted so that noise counts alike everywhere.
fn start(samples: &[Sample], ambient: f64) -> Option<Fit> {
    let above = samples.first()?.temperature > ambient;
    let excess = |sample: &Sample| (sample.temperature - ambient) * if above { 1.0 } else { -1.0 };
    let usable = || samples.iter().filter(|sample| excess(sample) > 0.0);
    let weight: f64 = usable().map(|s| excess(s).powi(2)).sum();
    let origin = usable().map(|s| excess(s).powi(2) * s.time).sum::<f64>() / weight;
    let height = usable().map(|s| excess(s).powi(2) * excess(s).ln()).sum::<f64>() / weight;
    let spread: f64 = usable().map(|s| excess(s).powi(2) * (s.time - origin).powi(2)).sum();
    let slope: f64 = usable().map(|s| excess(s).powi(2) * (s.time - origin) * excess(s).ln()).sum();
    let rate = -slope / spread;
    let excess = height.exp() * if above { 1.0 } else { -1.0 };
    rate.is_finite().then_some(Fit { ambient, excess, origin, rate, rate_error: 0.0, deviation: 0.0 })
}

/// The Gauss-Newton step of excess and rate.
fn step(samples: &[Sample], fit: &Fit) -> Option<(f64, f64)> {
    let (mut aa, mut ab, mut bb, mut ar, mut br) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for sample in samples {
        let age = sample.time - fit.origin;
        let by_excess = (-fit.rate * age).exp();
        let by_rate = -fit.excess * age * by_excess;
        let residual = sample.temperature - fit.ambient - fit.excess * by_excess;
        aa += by_excess * by_excess;
        ab += by_excess * by_rate;
        bb += by_rate * by_rate;
        ar += by_excess * residual;
        br += by_rate * residual;
    }
    let determinant = aa * bb - ab * ab;
    let step = ((bb * ar - ab * br) / determinant, (aa * br - ab * ar) / determinant);
    (step.0.is_finite() && step.1.is_finite()).then_some(step)
}

fn sum_of_squares(samples: &[Sample], fit: &Fit) -> f64 {
    samples.iter().map(|sample| (sample.temperature - fit.temperature_at(sample.time)).powi(2)).sum()
}

/// Rates are sought between these shares of the samples' span: from a nearly straight line to a drop at once.
const RATE_TIMES_SPAN: (f64, f64) = (1e-3, 50.0);
const GRID: u32 = 24;

/// Fits all three figures. `None` if the samples are too straight to tell where they tend to.
pub fn fit(samples: &[Sample]) -> Option<Fit> {
    let span = samples.last()?.time - samples.first()?.time;
    if samples.len() < 4 || span.is_nan() || span <= 0.0 {
        return None;
    }
    let (low, high) = ((RATE_TIMES_SPAN.0 / span).ln(), (RATE_TIMES_SPAN.1 / span).ln());
    let width = (high - low) / f64::from(GRID);
    let squares = |log_rate: f64| {
        curve(samples, log_rate.exp()).map_or(f64::INFINITY, |fit| sum_of_squares(samples, &fit))
    };
    let grid = (0..=GRID).map(|index| low + f64::from(index) * width);
    let best = grid.min_by(|a, b| squares(*a).total_cmp(&squares(*b)))?;
    if best < low + width / 2.0 || best > high - width / 2.0 {
        return None;
    }
    let fit = curve(samples, golden_section(best - width, best + width, squares).exp())?;
    finished(samples, fit, sum_of_squares(samples, &fit), 3.0)
}

/// The best ambient and excess for a given rate: a straight line over `(1 - exp(-rate·t)) / rate`, which stays well
/// conditioned down to a rate of zero.
fn curve(samples: &[Sample], rate: f64) -> Option<Fit> {
    let origin = samples.first()?.time;
    let stretched = |sample: &Sample| -(-rate * (sample.time - origin)).exp_m1() / rate;
    let count = count(samples);
    let mean = samples.iter().map(stretched).sum::<f64>() / count;
    let height = samples.iter().map(|sample| sample.temperature).sum::<f64>() / count;
    let spread: f64 = samples.iter().map(|sample| (stretched(sample) - mean).powi(2)).sum();
    let slope: f64 = samples.iter().map(|s| (stretched(s) - mean) * (s.temperature - height)).sum();
    let excess = -slope / spread / rate;
    let ambient = height - slope / spread * mean - excess;
    (ambient.is_finite() && excess.is_finite()).then_some(Fit {
        ambient,
        excess,
        origin,
        rate,
        rate_error: 0.0,
        deviation: 0.0,
    })
}

fn golden_section(mut low: f64, mut high: f64, value: impl Fn(f64) -> f64) -> f64 {
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    while high - low > 1e-10 {
        let (left, right) = (high - golden * (high - low), low + golden * (high - low));
        if value(left) < value(right) { high = right } else { low = left }
    }
    f64::midpoint(low, high)
}

fn finished(samples: &[Sample], fit: Fit, squares: f64, unknowns: f64) -> Option<Fit> {
    if !(fit.rate > 0.0 && fit.excess.is_finite() && squares.is_finite()) {
        return None;
    }
    let spare = count(samples) - unknowns;
    let variance = if spare > 0.0 { squares / spare } else { 0.0 };
    let weigh = |s: &Sample| (fit.temperature_at(s.time) - fit.ambient).powi(2);
    let weight: f64 = samples.iter().map(weigh).sum();
    let centre = samples.iter().map(|s| weigh(s) * s.time).sum::<f64>() / weight;
    let spread: f64 = samples.iter().map(|s| weigh(s) * (s.time - centre).powi(2)).sum();
    let rate_error = (variance / spread).sqrt();
    rate_error.is_finite().then_some(Fit { rate_error, deviation: variance.sqrt(), ..fit })
}

#[expect(clippy::cast_precision_loss, reason = "a window of samples is far below 2^53")]
fn count(samples: &[Sample]) -> f64 {
    samples.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn samples(points: &[(f64, f64)]) -> Vec<Sample> {
        points.iter().map(|&(time, temperature)| Sample { time, temperature }).collect()
    }

    fn near(value: f64, expected: f64) {
        assert!((value - expected).abs() <= 5e-5 * expected.abs(), "{value} is not {expected}");
    }

    // OpenStax, Calculus Volume 2 (2016): examples 2.45 and 4.13, checkpoint 4.13 and exercises of section 2.8, degrees
    // Fahrenheit. The book rounds its answers; more digits are from SciPy: tests/published/newton.py.
    #[test]
    fn the_published_examples_come_out() {
        for line in include_str!("../../../tests/published/newton.tsv").lines().skip(2) {
            let cells: Vec<&str> = line.split('\t').collect();
            let number = |cell: usize| cells[cell].parse::<f64>().unwrap();
            let seen = samples(&[(0.0, number(2)), (number(3), number(4))]);
            let fit = fit_with_ambient(&seen, number(1)).unwrap();
            near(
                match cells[5] {
                    "time of" => fit.time_of(number(6)).unwrap(),
                    "at" => fit.temperature_at(number(6)),
                    asked => panic!("{asked}?"),
                },
                number(7),
            );
        }
    }

    fn exact(ambient: f64, excess: f64, rate: f64, times: impl Iterator<Item = u32>) -> Vec<Sample> {
        let at = |time: f64| ambient + excess * (-rate * time).exp();
        times.map(f64::from).map(|time| Sample { time, temperature: at(time) }).collect()
    }

    #[test]
    fn exact_curves_are_found_again_at_any_rate() {
        for rate in [1e-6, 1e-4, 1e-2, 0.2] {
            let curve = exact(21.0, 900.0, rate, (0..600).step_by(10));
            near(fit_with_ambient(&curve, 21.0).unwrap().rate, rate);
        }
        for rate in [1e-3, 1e-2, 0.05] {
            let fit = fit(&exact(21.0, 60.0, rate, (0..600).step_by(10))).unwrap();
            near(fit.ambient, 21.0);
            near(fit.rate, rate);
        }
    }

    #[test]
    fn a_late_origin_costs_no_precision() {
        let mut curve = exact(21.0, 60.0, 1e-3, (0..600).step_by(10));
        curve.iter_mut().for_each(|sample| sample.time += 1e9);
        near(fit_with_ambient(&curve, 21.0).unwrap().rate, 1e-3);
    }

    #[test]
    fn what_does_not_cool_gives_no_fit() {
        let flat = samples(&[(0.0, 50.0), (1.0, 50.0), (2.0, 50.0), (3.0, 50.0)]);
        let rising = samples(&[(0.0, 50.0), (1.0, 60.0), (2.0, 70.0), (3.0, 80.0)]);
        let straight = samples(&[(0.0, 80.0), (1.0, 70.0), (2.0, 60.0), (3.0, 50.0)]);
        for curve in [&flat[..], &rising, &[], &flat[..1], &samples(&[(1.0, 50.0), (1.0, 50.0)])] {
            assert_eq!(fit_with_ambient(curve, 20.0), None);
            assert_eq!(fit(curve), None);
        }
        assert_eq!(fit(&straight), None);
        assert_eq!(fit_with_ambient(&samples(&[(0.0, f64::NAN), (1.0, 50.0)]), 20.0), None);
    }

    #[test]
    fn a_temperature_beyond_ambient_is_never_reached() {
        let fit = fit_with_ambient(&samples(&[(0.0, 80.0), (1.0, 70.0)]), 20.0).unwrap();
        assert_eq!(fit.time_of(20.0), None);
        assert_eq!(fit.time_of(10.0), None);
    }
}
