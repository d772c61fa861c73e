//! The running sum of one meter.

use crate::time::{Moment, Now, Span, WallTime};

/// How many minutes are handed over together, so that a journal of a year stays small.
pub const MINUTES: usize = 30;
const MINUTE_MS: i64 = 60_000;
const MINUTES_MS: i64 = 30 * MINUTE_MS;

/// The energy of up to half an hour. An hour begins with the first of its two.
#[derive(Clone, Debug, PartialEq)]
pub struct HalfHour {
    /// A full half-hour of the wall clock, in UTC.
    pub from: WallTime,
    /// Joules by minute; nothing where the meter was not heard.
    pub joules: [Option<f64>; MINUTES],
    /// The most that was read.
    pub watts_max: f64,
    /// How long the meter was not heard between two readings, and nothing was counted.
    pub silent: Span,
}

/// More than any outlet gives: a counter that rises faster has been set or misread.
const WATTS_MAX: f64 = 100_000.0;

/// Between two readings the draw is taken to change evenly. A longer silence than the signal may have is not bridged.
///
/// With a counter of the meter's own, only that counts. What it counted during a silence is booked when it is heard again.
#[derive(Clone, Debug)]
pub struct EnergyMeter {
    silence_max: Span,
    counter: Option<Counter>,
    latest: Option<(Now, f64)>,
    current: Option<HalfHour>,
}

impl EnergyMeter {
    pub fn new(silence_max: Span) -> EnergyMeter {
        EnergyMeter { silence_max, counter: None, latest: None, current: None }
    }

    /// With a counter in units of so many joules.
    pub fn counting(silence_max: Span, joules_per_unit: f64, wraps_at: Option<f64>) -> EnergyMeter {
        let counter = Some(Counter { joules_per_unit, wraps_at, latest: None });
        EnergyMeter { counter, ..EnergyMeter::new(silence_max) }
    }

    /// Takes a reading that was taken at `at`, looked at `now`; gives the half-hour that is over, if one is.
    pub fn take(&mut self, now: Now, at: Moment, watts: f64) -> Option<HalfHour> {
        // A little below nothing is a meter's noise, and not energy given back.
        let watts = watts.max(0.0);
        let taken = taken_at(now, at);
        let over = match self.latest.replace((taken, watts)) {
            Some((before, watts_before)) if self.counter.is_none() => {
                self.bridge(before, watts_before, taken, watts)
            }
            Some(_) | None => self.turn_to(taken.wall),
        };
        let current = self.current.get_or_insert_with(|| HalfHour::empty(half_hour_of(taken.wall)));
        current.watts_max = current.watts_max.max(watts);
        over
    }

    /// Takes a reading of the counter, as `take` does one of the draw.
    pub fn count(&mut self, now: Now, at: Moment, counted: f64) -> Option<HalfHour> {
        let taken = taken_at(now, at);
        let counter = self.counter.as_mut()?;
        let (before, joules) = counter.step(taken, counted)?;
        let passed = taken.moment.since(before.moment);
        match joules {
            Some(joules) if passed > self.silence_max || passed == Span::ZERO => {
                let over = self.turn_to(taken.wall);
                let minute = self.current_at(taken.wall).minute_of(taken.wall.0);
                *minute = Some(minute.unwrap_or(0.0) + joules);
                over
            }
            Some(joules) => {
                let watts = joules / passed.as_secs_f64();
                self.bridge(before, watts, taken, watts)
            }
            None => {
                let over = self.turn_to(taken.wall);
                let current = self.current_at(taken.wall);
                current.silent = current.silent + passed;
                over
            }
        }
    }

    #[cfg(test)]
    pub(super) fn latest_at(&self) -> Option<Moment> {
        self.latest.map(|(now, _)| now.moment)
    }

    /// What has been counted and not handed over yet, as at the end of the program.
    pub fn finish(&mut self) -> Option<HalfHour> {
        self.latest = None;
        if let Some(counter) = &mut self.counter {
            counter.latest = None;
        }
        self.current.take().filter(|half_hour| !half_hour.is_empty())
    }

    fn bridge(&mut self, before: Now, watts_before: f64, after: Now, watts: f64) -> Option<HalfHour> {
        let passed = after.moment.since(before.moment);
        if passed > self.silence_max {
            let over = self.turn_to(after.wall);
            let current = self.current_at(after.wall);
            current.silent = current.silent + passed;
            return over;
        }
        let mut over = None;
        // The wall clock may have been set meanwhile: then the minute at the end is the one that counts.
        let passed_ms = i64::try_from(passed.0).unwrap_or(i64::MAX);
        let begin = after.wall.0.saturating_sub(passed_ms);
        let watts_at = |ms: i64| watts_before + (watts - watts_before) * ratio(ms - begin, passed_ms);
        let mut from = begin;
        while from < after.wall.0 {
            let until = (from.div_euclid(MINUTE_MS) + 1).saturating_mul(MINUTE_MS).min(after.wall.0);
            over = over.or(self.turn_to(WallTime(from)));
            let joules = (watts_at(from) + watts_at(until)) / 2.0 * ratio(until - from, 1_000);
            let minute = self.current_at(WallTime(from)).minute_of(from);
            *minute = Some(minute.unwrap_or(0.0) + joules);
            from = until;
        }
        over
    }

    /// Hands over the half-hour that has ended by then.
    fn turn_to(&mut self, wall: WallTime) -> Option<HalfHour> {
        let begins = half_hour_of(wall);
        let ended = self.current.as_ref().is_some_and(|current| current.from != begins);
        if !ended {
            return None;
        }
        self.current.replace(HalfHour::empty(begins)).filter(|half_hour| !half_hour.is_empty())
    }

    fn current_at(&mut self, wall: WallTime) -> &mut HalfHour {
        self.current.get_or_insert_with(|| HalfHour::empty(half_hour_of(wall)))
    }
}

/// A counter of the meter's own.
#[derive(Clone, Debug)]
struct Counter {
    joules_per_unit: f64,
    wraps_at: Option<f64>,
    latest: Option<(Now, f64)>,
}

impl Counter {
    /// Since when it counted how many joules; none where that cannot be. Nothing at its first reading.
    fn step(&mut self, taken: Now, counted: f64) -> Option<(Now, Option<f64>)> {
        let (before, counted_before) = self.latest.replace((taken, counted))?;
        let seconds = taken.moment.since(before.moment).as_secs_f64().max(1.0);
        let likely = |units: f64| {
            let joules = units * self.joules_per_unit;
            (0.0..=WATTS_MAX * seconds).contains(&joules).then_some(joules)
        };
        let wrapped = self.wraps_at.filter(|_| counted < counted_before);
        let wrapped = wrapped.and_then(|wraps_at| likely(wraps_at - counted_before + counted));
        // It fell: then it began anew, and counts from nothing.
        let rise = if counted < counted_before { counted } else { counted - counted_before };
        Some((before, wrapped.or_else(|| likely(rise))))
    }
}

/// The time of a reading on both clocks.
fn taken_at(now: Now, at: Moment) -> Now {
    let age = i64::try_from(now.moment.since(at).0).unwrap_or(i64::MAX);
    Now { moment: at, wall: WallTime(now.wall.0.saturating_sub(age)) }
}

impl HalfHour {
    fn empty(from: WallTime) -> HalfHour {
        HalfHour { from, joules: [None; MINUTES], watts_max: 0.0, silent: Span::ZERO }
    }

    fn is_empty(&self) -> bool {
        self.joules.iter().all(Option::is_none) && self.silent == Span::ZERO
    }

    fn minute_of(&mut self, wall_ms: i64) -> &mut Option<f64> {
        let minute = (wall_ms - self.from.0).div_euclid(MINUTE_MS);
        let index = usize::try_from(minute).unwrap_or(0).min(MINUTES - 1);
        &mut self.joules[index]
    }
}

fn half_hour_of(wall: WallTime) -> WallTime {
    WallTime(wall.0.div_euclid(MINUTES_MS) * MINUTES_MS)
}

#[expect(clippy::cast_precision_loss, reason = "milliseconds between two readings")]
fn ratio(part: i64, whole: i64) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}
