//! The running sum of one meter.

use super::counter::{Counter, Step};
use idlegate_guard::time::{Moment, Now, Span, WallTime};

const MINUTE_MS: i64 = 60_000;
/// No record is longer than this, or goes on beyond a half-hour of the wall clock, in UTC.
const RECORD_MS: i64 = 30 * MINUTE_MS;
/// What was drawn is handed over after this long at the latest, so that a crash loses no more. While nothing is drawn,
/// a record is as long as it may be: a journal of a year stays small.
const HANDED_OVER_AFTER: Span = Span::secs(300);
/// What a counter counted in a longer silence than this is booked on its last part.
const SPREAD_MAX: Span = Span::secs(7 * 24 * 3_600);

/// The energy of some minutes.
#[derive(Clone, Debug, PartialEq)]
pub struct Metered {
    /// A full minute of the wall clock.
    pub from: WallTime,
    /// Joules by minute; nothing where the meter was not heard.
    pub joules: Vec<Option<f64>>,
    /// The most that was read.
    pub watts_max: f64,
    /// How long the meter was not heard between two readings, and nothing was counted.
    pub silent: Span,
}

/// Between two readings the draw is taken to change evenly. A longer silence than the signal may have is not bridged.
///
/// With a counter of the meter's own, only that counts. What it counted during a silence belongs to all of the silence.
#[derive(Clone, Debug)]
pub struct EnergyMeter {
    silence_max: Span,
    counter: Option<Counter>,
    latest: Option<(Now, f64)>,
    current: Option<Metered>,
    /// When the first joule of the current record was counted.
    drawn_since: Option<Moment>,
    /// All that was counted so far.
    counted: f64,
}

impl EnergyMeter {
    pub fn new(silence_max: Span) -> EnergyMeter {
        EnergyMeter {
            silence_max,
            counter: None,
            latest: None,
            current: None,
            drawn_since: None,
            counted: 0.0,
        }
    }

    /// With a counter of its own.
    pub fn counting(silence_max: Span, counter: Counter) -> EnergyMeter {
        EnergyMeter { counter: Some(counter), ..EnergyMeter::new(silence_max) }
    }

    /// Takes a reading that was taken at `at`, looked at `now`; gives the records that are complete.
    pub fn take(&mut self, now: Now, at: Moment, watts: f64) -> Vec<Metered> {
        // A little below nothing is a meter's noise, and not energy given back.
        let watts = watts.max(0.0);
        let taken = taken_at(now, at);
        let before = self.latest;
        // What came before is counted already.
        if before.is_some_and(|(before, _)| taken.moment < before.moment) {
            return Vec::new();
        }
        self.latest = Some((taken, watts));
        let mut over = Vec::new();
        match (before, &mut self.counter) {
            (_, Some(counter)) => counter.has_drawn(watts),
            (Some((before, watts_before)), None) => {
                self.bridge(before, watts_before, taken, watts, &mut over);
            }
            (None, None) => {}
        }
        let current = self.record_at(taken.wall.0, &mut over);
        current.watts_max = current.watts_max.max(watts);
        over.extend(self.due(taken));
        over
    }

    /// Takes a reading of the counter, as `take` does one of the draw.
    pub fn count(&mut self, now: Now, at: Moment, counted: f64) -> Vec<Metered> {
        let taken = taken_at(now, at);
        let Some(counter) = &mut self.counter else { return Vec::new() };
        let Some((before, step)) = counter.step(taken, counted, self.silence_max) else { return Vec::new() };
        let mut over = Vec::new();
        match step {
            Step::Counted(joules) => {
                let spread = taken.moment.since(before.moment).min(SPREAD_MAX);
                self.spread(taken, spread, &mut over, |from, until, whole| {
                    joules * ratio(until - from, whole)
                });
            }
            Step::NotBelieved => self.was_silent(taken, taken.moment.since(before.moment), &mut over),
        }
        over.extend(self.due(taken));
        over
    }

    /// In joules, since the program began.
    pub fn counted(&self) -> f64 {
        self.counted
    }

    /// What has been counted and not handed over yet, as at the end of the program.
    pub fn finish(&mut self) -> Option<Metered> {
        self.latest = None;
        if let Some(counter) = &mut self.counter {
            counter.forget();
        }
        self.hand_over()
    }

    fn bridge(&mut self, before: Now, watts_before: f64, after: Now, watts: f64, over: &mut Vec<Metered>) {
        let passed = after.moment.since(before.moment);
        if passed > self.silence_max {
            return self.was_silent(after, passed, over);
        }
        if passed == Span::ZERO {
            return;
        }
        self.spread(after, passed, over, |from, until, whole| {
            let watts_at = |ms: i64| watts_before + (watts - watts_before) * ratio(ms, whole);
            (watts_at(from) + watts_at(until)) / 2.0 * ratio(until - from, 1_000)
        });
    }

    /// Books the time that passed, minute by minute: `joules` is given where a part of it begins and ends, and how long
    /// it is in all, in milliseconds.
    ///
    /// The wall clock may have been set meanwhile: then the minute at the end is the one that counts.
    fn spread(
        &mut self,
        after: Now,
        passed: Span,
        over: &mut Vec<Metered>,
        joules: impl Fn(i64, i64, i64) -> f64,
    ) {
        let whole = i64::try_from(passed.0).unwrap_or(i64::MAX);
        let begin = after.wall.0.saturating_sub(whole);
        let mut from = begin;
        loop {
            let until = (from.div_euclid(MINUTE_MS) + 1).saturating_mul(MINUTE_MS).min(after.wall.0);
            // A reading at the very moment of the one before it: nothing passed, but a counter may have counted.
            let part = if whole == 0 { joules(0, 1, 1) } else { joules(from - begin, until - begin, whole) };
            self.counted += part;
            let record = self.record_at(from, over);
            let minute = record.minute(from);
            *minute = Some(minute.unwrap_or(0.0) + part);
            if part > 0.0 {
                self.drawn_since.get_or_insert(after.moment);
            }
            from = until;
            if from >= after.wall.0 {
                return;
            }
        }
    }

    fn was_silent(&mut self, after: Now, passed: Span, over: &mut Vec<Metered>) {
        let current = self.record_at(after.wall.0, over);
        current.silent = current.silent + passed;
    }

    /// The record to which this time belongs; what another one holds is handed over first.
    fn record_at(&mut self, wall_ms: i64, over: &mut Vec<Metered>) -> &mut Metered {
        if self.current.as_ref().is_some_and(|current| !current.spans(wall_ms)) {
            over.extend(self.hand_over());
        }
        self.current.get_or_insert_with(|| Metered::from(minute_of(wall_ms)))
    }

    /// All but the running minute, once it is time.
    fn due(&mut self, now: Now) -> Option<Metered> {
        self.drawn_since.filter(|since| now.moment.since(*since) >= HANDED_OVER_AFTER)?;
        let current = self.current.as_mut()?;
        let whole = usize::try_from((now.wall.0 - current.from.0).div_euclid(MINUTE_MS)).unwrap_or(0);
        if whole == 0 {
            return None;
        }
        let mut rest = Metered::from(minute_of(now.wall.0));
        rest.joules = current.joules.split_off(whole.min(current.joules.len()));
        rest.watts_max = self.latest.map_or(0.0, |(_, watts)| watts);
        let has_drawn = rest.joules.iter().flatten().any(|joules| *joules > 0.0);
        self.drawn_since = has_drawn.then_some(now.moment);
        let over = std::mem::replace(current, rest);
        Some(over).filter(|over| !over.is_empty())
    }

    fn hand_over(&mut self) -> Option<Metered> {
        self.drawn_since = None;
        self.current.take().filter(|record| !record.is_empty())
    }
}

/// The time of a reading on both clocks.
fn taken_at(now: Now, at: Moment) -> Now {
    let age = i64::try_from(now.moment.since(at).0).unwrap_or(i64::MAX);
    Now { moment: at, wall: WallTime(now.wall.0.saturating_sub(age)) }
}

impl Metered {
    fn from(from: WallTime) -> Metered {
        Metered { from, joules: Vec::new(), watts_max: 0.0, silent: Span::ZERO }
    }

    fn is_empty(&self) -> bool {
        self.joules.iter().all(Option::is_none) && self.silent == Span::ZERO
    }

    fn spans(&self, wall_ms: i64) -> bool {
        let end = (self.from.0.div_euclid(RECORD_MS) + 1) * RECORD_MS;
        self.from.0 <= wall_ms && wall_ms < end
    }

    fn minute(&mut self, wall_ms: i64) -> &mut Option<f64> {
        let nth = usize::try_from((wall_ms - self.from.0).div_euclid(MINUTE_MS)).unwrap_or(0);
        if nth >= self.joules.len() {
            self.joules.resize(nth + 1, None);
        }
        &mut self.joules[nth]
    }
}

fn minute_of(wall_ms: i64) -> WallTime {
    WallTime(wall_ms.div_euclid(MINUTE_MS) * MINUTE_MS)
}

#[expect(clippy::cast_precision_loss, reason = "milliseconds between two readings")]
fn ratio(part: i64, whole: i64) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}
