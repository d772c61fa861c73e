//! What a detector was shown lately, to show it again to the one that takes its place.

use std::collections::VecDeque;

use super::instance::SignalReading;
use super::limits::{HISTORY_READINGS_MAX, HISTORY_SPAN};
use idlegate_guard::time::Moment;

/// Readings in the order in which they came, bounded by count and by age.
#[derive(Clone, Debug, Default)]
pub(super) struct History {
    readings: VecDeque<SignalReading>,
}

impl History {
    pub(super) fn add(&mut self, readings: &[SignalReading], now: Moment) {
        self.readings.extend(readings.iter().cloned());
        let surplus = self.readings.len().saturating_sub(HISTORY_READINGS_MAX);
        self.readings.drain(..surplus);
        while self.readings.front().is_some_and(|(_, oldest)| oldest.at < now - HISTORY_SPAN) {
            self.readings.pop_front();
        }
    }

    pub(super) fn forget(&mut self) {
        self.readings.clear();
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &SignalReading> {
        self.readings.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::time::Span;
    use idlegate_plan::event::{Reading, Value};

    fn readings(count: usize, every: Span) -> Vec<SignalReading> {
        let at = |n| Moment(n as u64 * every.millis());
        (0..count).map(|n| (0, Reading { at: at(n), value: Value::Number(1.0) })).collect()
    }

    fn kept(readings: &[SignalReading], now: Moment) -> (usize, Moment) {
        let mut history = History::default();
        history.add(readings, now);
        (history.iter().count(), history.iter().next().map(|(_, reading)| reading.at).unwrap_or_default())
    }

    #[test]
    fn history_is_bounded_by_count_and_by_age() {
        let fast = readings(HISTORY_READINGS_MAX + 10, Span(10));
        assert_eq!(kept(&fast, Moment(50_000)), (HISTORY_READINGS_MAX, Moment(100)));
        // One a minute for a day: two hours of them are kept, the one that is just two hours old included.
        let slow = readings(24 * 60, Span::secs(60));
        let now = slow.last().unwrap().1.at;
        assert_eq!(kept(&slow, now), (121, now - HISTORY_SPAN));
    }
}
