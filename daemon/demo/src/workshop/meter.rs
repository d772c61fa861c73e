//! A meter on an outlet: it looks at the draw now and then, rounds it, and is a little wrong.
//!
//! Faults are settings: frozen on one value, silent, or sending what is not a number.

use super::chance::Chance;
use idlegate_guard::time::{Moment, Span};

#[derive(Clone, Debug)]
pub struct MeterModel {
    accuracy: MeterAccuracy,
    pub fault: Option<MeterFault>,
    chance: Chance,
    next: Moment,
    last_watts: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterAccuracy {
    /// Between two samples.
    pub interval: Span,
    /// The smallest step it shows.
    pub step_watts: f64,
    /// The largest error either way, before rounding.
    pub noise_watts: f64,
}

impl Default for MeterAccuracy {
    fn default() -> MeterAccuracy {
        MeterAccuracy { interval: Span::secs(10), step_watts: 0.1, noise_watts: 0.6 }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeterFault {
    /// Repeats its last value for ever.
    Frozen,
    /// Says nothing.
    Silent,
    /// Sends NaN.
    NotANumber,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterSample {
    /// NaN only under [`MeterFault::NotANumber`].
    pub watts: f64,
    /// The meter's count of energy, which knows no faults.
    pub joules: f64,
}

impl MeterModel {
    /// Its first sample is due at once.
    pub fn new(accuracy: MeterAccuracy, chance: Chance, now: Moment) -> MeterModel {
        assert!(accuracy.interval > Span::ZERO, "a meter without an interval would hold time still");
        MeterModel { accuracy, fault: None, chance, next: now, last_watts: 0.0 }
    }

    pub(crate) fn next_sample(&self) -> Moment {
        self.next
    }

    /// Takes the sample that is due. Nothing, when the meter is silent.
    pub fn sample(&mut self, watts: f64, joules: f64) -> Option<MeterSample> {
        self.next = self.next + self.accuracy.interval;
        // Drawn in any case, so that a fault shifts nothing that comes after it.
        let shown = self.show(watts);
        let watts = match self.fault {
            None => shown,
            Some(MeterFault::Frozen) => self.last_watts,
            Some(MeterFault::Silent) => return None,
            Some(MeterFault::NotANumber) => f64::NAN,
        };
        if self.fault.is_none() {
            self.last_watts = watts;
        }
        Some(MeterSample { watts, joules })
    }

    fn show(&mut self, watts: f64) -> f64 {
        let noise = self.chance.between(-self.accuracy.noise_watts, self.accuracy.noise_watts);
        // No draw is no draw: the relay is open, and there is nothing to be wrong about.
        let noisy = if watts > 0.0 { (watts + noise).max(0.0) } else { 0.0 };
        if self.accuracy.step_watts > 0.0 {
            (noisy / self.accuracy.step_watts).round() * self.accuracy.step_watts
        } else {
            noisy
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn meter() -> MeterModel {
        let accuracy = MeterAccuracy { interval: Span::secs(5), step_watts: 2.0, noise_watts: 3.0 };
        MeterModel::new(accuracy, Chance::new(4), Moment(0))
    }

    #[test]
    fn samples_are_rounded_near_the_truth_and_come_on_time() {
        let mut meter = meter();
        for count in 0..500 {
            assert_eq!(meter.next_sample(), Moment(count * 5_000));
            let watts = meter.sample(117.0, 0.0).unwrap().watts;
            assert!((113.0..=121.0).contains(&watts) && watts % 2.0 == 0.0, "{watts}");
        }
    }

    #[test]
    fn an_open_relay_reads_zero_and_nothing_reads_below_it() {
        let mut meter = meter();
        for _ in 0..100 {
            assert_eq!(meter.sample(0.0, 0.0).unwrap().watts, 0.0);
            assert!(meter.sample(0.5, 0.0).unwrap().watts >= 0.0);
        }
    }

    #[test]
    fn every_fault_shows_and_is_over_when_it_is_over() {
        let mut meter = meter();
        let last = meter.sample(100.0, 0.0).unwrap();
        meter.fault = Some(MeterFault::Frozen);
        assert!((0..20).all(|_| meter.sample(500.0, 0.0) == Some(last)));
        meter.fault = Some(MeterFault::Silent);
        assert_eq!(meter.sample(500.0, 0.0), None);
        meter.fault = Some(MeterFault::NotANumber);
        assert!(meter.sample(500.0, 0.0).unwrap().watts.is_nan());
        meter.fault = None;
        assert!(meter.sample(500.0, 0.0).unwrap().watts > 400.0);
    }
}
