//! The recent readings, thinned to a bounded number of means.

use std::collections::VecDeque;

use idlegate_detector::{Millis, Span};

use crate::newton::Sample;

/// Means kept at most. Enough for a fit, few enough to fit at every new one.
const MEANS_MAX: u64 = 60;

#[derive(Debug)]
pub(crate) struct Window {
    length: Span,
    means: VecDeque<Mean>,
    open: Option<Mean>,
}

/// The mean of the readings in one step of the window.
#[derive(Debug, Clone, Copy)]
struct Mean {
    start: Millis,
    ages_sum: f64,
    temperatures_sum: f64,
    count: f64,
}

impl Mean {
    fn new(start: Millis) -> Self {
        Mean { start, ages_sum: 0.0, temperatures_sum: 0.0, count: 0.0 }
    }

    fn add(&mut self, at: Millis, temperature: f64) {
        self.ages_sum += at.since(self.start).as_secs_f64();
        self.temperatures_sum += temperature;
        self.count += 1.0;
    }

    fn temperature(&self) -> f64 {
        self.temperatures_sum / self.count
    }
}

impl Window {
    pub(crate) fn new(length: Span) -> Self {
        Window { length, means: VecDeque::new(), open: None }
    }

    pub(crate) fn clear(&mut self) {
        self.means.clear();
        self.open = None;
    }

    /// Takes a reading that is not older than the one before. True when that completed a mean.
    pub(crate) fn push(&mut self, at: Millis, temperature: f64) -> bool {
        let step = Span::from_millis(self.length.as_millis().div_ceil(MEANS_MAX));
        let complete = self.open.take_if(|open| at.since(open.start) >= step);
        self.means.extend(complete);
        self.open.get_or_insert_with(|| Mean::new(at)).add(at, temperature);
        while self.means.front().is_some_and(|mean| at.since(mean.start) > self.length) {
            self.means.pop_front();
        }
        complete.is_some()
    }

    /// The lowest of all means, the one still growing among them.
    pub(crate) fn lowest(&self) -> Option<f64> {
        self.means.iter().chain(&self.open).map(Mean::temperature).min_by(f64::total_cmp)
    }

    /// The completed means, in seconds since the first of them, and when that was.
    pub(crate) fn samples(&self) -> Option<(Millis, Vec<Sample>)> {
        let origin = self.means.front()?.start;
        let sample = |mean: &Mean| Sample {
            time: mean.start.since(origin).as_secs_f64() + mean.ages_sum / mean.count,
            temperature: mean.temperature(),
        };
        Some((origin, self.means.iter().map(sample).collect()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_stays_small_however_many_readings_come() {
        let mut window = Window::new(Span::from_mins(10));
        for millis in 0..2_000_000 {
            window.push(Millis(millis), 20.0);
        }
        let (_, samples) = window.samples().unwrap();
        assert!((55..=61).contains(&samples.len()), "{}", samples.len());
    }

    #[test]
    fn a_mean_stands_in_the_middle_of_its_readings() {
        let mut window = Window::new(Span::from_mins(1));
        for (at, temperature) in [(500, 80.0), (1_000, 70.0), (1_500, 20.0)] {
            window.push(Millis(at), temperature);
        }
        let (origin, samples) = window.samples().unwrap();
        assert_eq!((origin, samples), (Millis(500), vec![Sample { time: 0.25, temperature: 75.0 }]));
        assert_eq!(window.lowest(), Some(20.0));
    }
}
