//! A meter that speaks only when its value changes, told from what is heard: no value comes twice in a row, and while
//! it is silent something else of the same device goes on.

use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Value;

/// How something speaks.
#[derive(Clone, Debug, Default)]
pub struct Rhythm {
    pub live: usize,
    first: Option<Moment>,
    latest: Option<Moment>,
    /// The longest pause between two messages, and when it began.
    longest: Option<(Moment, Span)>,
    value: Option<Value>,
    /// The same value came twice in a row.
    repeats: bool,
}

impl Rhythm {
    pub fn take(&mut self, now: Moment, value: Option<Value>) {
        self.live += 1;
        self.first.get_or_insert(now);
        if let Some(latest) = self.latest.replace(now) {
            let pause = (latest, now.since(latest));
            self.longest = self.longest.filter(|(_, longest)| *longest >= pause.1).or(Some(pause));
        }
        self.repeats |= value.is_some() && value == self.value;
        self.value = value;
    }

    /// The longest silence until now, and when it began.
    pub fn silence(&self, now: Moment) -> Option<(Moment, Span)> {
        let latest = self.latest?;
        let last = (latest, now.since(latest));
        Some(self.longest.filter(|(_, longest)| *longest > last.1).unwrap_or(last))
    }

    /// The longest pause between two messages.
    pub fn pause(&self) -> Span {
        self.longest.map_or(Span::ZERO, |(_, pause)| pause)
    }

    /// It may speak only when its value changes: it said something else each time, and then nothing for longer than it
    /// may.
    pub(crate) fn may_be_on_change(&self, now: Moment, stale_after: Span) -> bool {
        let silent = self.silence(now).is_some_and(|(_, silence)| silence > stale_after);
        !self.repeats && silent
    }

    /// Whether it went on while something else was silent, often enough to show that it was there.
    pub fn went_on(&self, now: Moment, (began, silence): (Moment, Span)) -> bool {
        let covers = self.first.is_some_and(|first| first <= began + Span(silence.0 / 2));
        let often = self.silence(now).is_some_and(|(_, own)| own.0.saturating_mul(2) <= silence.0);
        self.live >= 3 && covers && often
    }

    /// How long it may be silent, going by this: three of its usual pauses, in tens of seconds.
    pub fn silent_max(&self) -> Span {
        Span::secs((self.pause().millis().saturating_mul(3).div_ceil(10_000) * 10).clamp(30, 3_600))
    }
}

/// Whether two topics are of one device, as far as they tell: one is above the other, or they part only at their last
/// level, below at least `shared_min` levels.
pub(crate) fn same_device(one: &str, other: &str, shared_min: usize) -> bool {
    let above = |one: &str, other: &str| other.strip_prefix(one).is_some_and(|rest| rest.starts_with('/'));
    if above(one, other) || above(other, one) {
        return true;
    }
    let shared = one.split('/').zip(other.split('/')).take_while(|(one, other)| one == other).count();
    let levels = |topic: &str| topic.split('/').count();
    shared >= shared_min && shared + 1 >= levels(one).min(levels(other))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pace(times: &[(u64, f64)]) -> Rhythm {
        let mut pace = Rhythm::default();
        times.iter().for_each(|(secs, value)| pace.take(Moment(secs * 1_000), Some(Value::Number(*value))));
        pace
    }

    #[test]
    fn a_meter_that_says_the_same_twice_or_is_never_silent_does_not_speak_on_change() {
        let (now, stale_after) = (Moment(100_000), Span::secs(30));
        assert!(pace(&[(1, 3.0), (2, 455.0), (40, 3.0)]).may_be_on_change(now, stale_after));
        assert!(pace(&[(1, 3.0)]).may_be_on_change(now, stale_after), "and nothing since");
        assert!(!pace(&[(1, 3.0), (2, 3.0), (40, 455.0)]).may_be_on_change(now, stale_after));
        assert!(!pace(&[(80, 3.0), (90, 3.1)]).may_be_on_change(now, stale_after), "it may only be slow");
        assert!(!pace(&[]).may_be_on_change(now, stale_after));
    }

    #[test]
    fn a_sign_of_life_goes_on_all_through_the_silence() {
        let (now, silence) = (Moment(100_000), (Moment(40_000), Span::secs(60)));
        let every = |secs: u64| pace(&(0..=100 / secs).map(|at| (at * secs, 1.0)).collect::<Vec<_>>());
        assert!(every(10).went_on(now, silence) && every(25).went_on(now, silence));
        assert_eq!((every(10).silent_max(), every(25).silent_max()), (Span::secs(30), Span::secs(80)));
        assert!(!every(50).went_on(now, silence), "too seldom");
        assert!(!pace(&[(0, 1.0), (10, 1.0), (20, 1.0)]).went_on(now, silence), "it was silent then, too");
        assert!(!pace(&[(80, 1.0), (85, 1.0), (90, 1.0)]).went_on(now, silence), "it began too late");
    }

    #[test]
    fn topics_of_one_device_part_at_their_end() {
        for (one, other) in [
            ("plugs/bench-1/watts", "plugs/bench-1/uptime"),
            ("meters/mill", "meters/mill/uptime"),
            ("plugs/bench-1/meter/watts", "plugs/bench-1/meter/up"),
        ] {
            assert!(same_device(one, other, 2) && same_device(other, one, 2), "{one} {other}");
        }
        for (one, other) in [
            ("meters/mill", "meters/kiln"),
            ("shop/bench-1/watts", "shop/bench-2/watts"),
            ("meters/mill", "meters/mill-2/uptime"),
        ] {
            assert!(!same_device(one, other, 2), "{one} {other}");
        }
        assert!(same_device("bench-1/watts", "bench-1/uptime", 1));
    }
}
