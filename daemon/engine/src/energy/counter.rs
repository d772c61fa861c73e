//! A meter's own counter: what it counted from one reading to the next, and when not to believe it.
//!
//! Meters are replaced, begin anew, wrap, and their last digit goes to and fro. None of that is energy.

use idlegate_guard::time::{Now, Span};

/// More than any outlet gives: what rises faster was set or misread.
const WATTS_MAX: f64 = 100_000.0;
/// A tenth of a kilowatt-hour: the last digit of the coarsest counters, which may turn at any moment.
const STEP_JOULES: f64 = 360_000.0;
/// A fall by no more than this, or by no larger part than the next, is the last digit going to and fro.
const NOISE_JOULES: f64 = 36_000.0;
const NOISE_PART: f64 = 0.001;

#[derive(Clone, Debug)]
pub struct Counter {
    joules_per_unit: f64,
    wraps_at: Option<f64>,
    watts_max: f64,
    /// The most that was drawn as far as is known: what began anew cannot have counted faster.
    drawn_watts: f64,
    heard: Option<Now>,
    /// The highest value since it began, and when it was first read.
    mark: Option<(Now, f64)>,
    /// It has risen while it was watched, so that the time since the last rise tells how fast it counts.
    has_risen: bool,
}

/// What a reading of it says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Step {
    Counted(f64),
    NotBelieved,
}

impl Counter {
    /// In units of so many joules.
    pub fn of(joules_per_unit: f64) -> Counter {
        Counter {
            joules_per_unit,
            wraps_at: None,
            watts_max: WATTS_MAX,
            drawn_watts: 0.0,
            heard: None,
            mark: None,
            has_risen: false,
        }
    }

    #[must_use]
    pub(crate) fn wrapping_at(self, wraps_at: Option<f64>) -> Counter {
        Counter { wraps_at, ..self }
    }

    /// The machine, or the circuit that feeds it, can draw no more than this.
    #[must_use]
    pub(crate) fn drawing_at_most(self, watts: Option<f64>) -> Counter {
        let watts_max = watts.map_or(self.watts_max, |watts| watts.min(self.watts_max));
        Counter { watts_max, ..self }
    }

    /// The meter's draw, where it tells that as well.
    pub(super) fn has_drawn(&mut self, watts: f64) {
        self.drawn_watts = self.drawn_watts.max(watts.min(self.watts_max));
    }

    pub(super) fn forget(&mut self) {
        (self.heard, self.mark, self.has_risen) = (None, None, false);
    }

    /// What it counted, and since when. Nothing at its first reading, and for one that is older than the last.
    pub(super) fn step(&mut self, taken: Now, counted: f64, silence_max: Span) -> Option<(Now, Step)> {
        if self.heard.is_some_and(|heard| taken.moment < heard.moment) {
            return None;
        }
        let heard = self.heard.replace(taken);
        let Some((risen_at, mark)) = self.mark else {
            self.mark = Some((taken, counted));
            return None;
        };
        let heard = heard?;
        let passed = taken.moment.since(heard.moment);
        let since_rise = taken.moment.since(risen_at.moment);
        let step = self.judge(counted, mark, passed, since_rise, passed <= silence_max);
        // The last digit goes on from where it was highest.
        if !(step == Step::Counted(0.0) && counted <= mark) {
            self.mark = Some((taken, counted));
        }
        if let Step::Counted(joules) = step
            && joules > 0.0
        {
            if self.has_risen {
                self.has_drawn(joules / since_rise.as_secs_f64().max(1.0));
            }
            self.has_risen = true;
        }
        Some((heard, step))
    }

    fn judge(&self, counted: f64, mark: f64, passed: Span, since_rise: Span, is_timely: bool) -> Step {
        let joules = |units: f64| units * self.joules_per_unit;
        let is_possible =
            |joules: f64| joules <= STEP_JOULES.max(self.watts_max * since_rise.as_secs_f64().max(1.0));
        let rise = joules(counted - mark);
        if rise >= 0.0 {
            return if is_possible(rise) { Step::Counted(rise) } else { Step::NotBelieved };
        }
        let fall = -rise;
        let is_noise = (fall <= NOISE_JOULES && counted >= mark / 2.0) || fall <= joules(mark) * NOISE_PART;
        if is_noise {
            return Step::Counted(0.0);
        }
        let wrapped = self.wraps_at.map(|wraps_at| joules(wraps_at - mark + counted));
        if let Some(wrapped) = wrapped.filter(|wrapped| *wrapped >= 0.0 && is_possible(*wrapped)) {
            return Step::Counted(wrapped);
        }
        // It began anew while it went on being heard. After a silence it may as well be another meter: then what it
        // shows was drawn by somebody else.
        let begun = joules(counted);
        let has_begun_anew = is_timely && counted < mark / 2.0;
        if has_begun_anew && begun <= self.drawn_watts * passed.as_secs_f64() {
            Step::Counted(begun)
        } else {
            Step::NotBelieved
        }
    }
}
