//! The readings of one machine as they were delivered, and whether they speak for an idle machine.

use std::collections::VecDeque;

use idlegate_guard::time::{Moment, Span};

use crate::simulation::rules::Place;

/// As the detector's own default.
const GAP_MAX: Span = Span::secs(60);
/// A message no older than this counts as just come in.
const JUST_NOW: Span = Span(500);

#[derive(Debug)]
pub struct Record {
    busy_watts: f64,
    quiet_watts: f64,
    dwell: Span,
    gap_max: Span,
    pub stale_after: Span,
    readings: VecDeque<(Moment, f64)>,
}

impl Record {
    pub fn new(place: &Place) -> Record {
        Record {
            busy_watts: place.busy_watts,
            quiet_watts: place.quiet_watts,
            dwell: place.dwell,
            gap_max: GAP_MAX.min(place.dwell),
            stale_after: place.stale_after,
            readings: VecDeque::new(),
        }
    }

    /// A live message of this age. Of one meter a later one is newer, however long each may have waited; one that
    /// cannot be read makes everything before it worth nothing.
    pub fn deliver(&mut self, now: Moment, age: Span, watts: f64) {
        if !watts.is_finite() {
            return self.forget();
        }
        let at = if age <= JUST_NOW { now } else { now - age };
        let at = self.newest().map_or(at, |newest| at.max(newest));
        self.readings.push_back((at, watts));
        let keep = Span(self.dwell.0 * 3);
        while self.readings.front().is_some_and(|(first, _)| at.since(*first) > keep) {
            self.readings.pop_front();
        }
    }

    pub fn forget(&mut self) {
        self.readings.clear();
    }

    pub fn newest(&self) -> Option<Moment> {
        self.readings.back().map(|(at, _)| *at)
    }

    /// Reading back from the newest: there must be a quiet stretch of the full dwell, and nothing but quiet or
    /// middling draw without a gap since.
    pub fn speaks_for_idle(&self) -> bool {
        let mut stretch_end: Option<Moment> = None;
        let mut after: Option<Moment> = None;
        for (at, watts) in self.readings.iter().rev() {
            let gap = after.is_some_and(|after| after.since(*at) > self.gap_max);
            if gap || *watts > self.busy_watts {
                return false;
            }
            after = Some(*at);
            if *watts >= self.quiet_watts {
                stretch_end = None;
                continue;
            }
            let end = *stretch_end.get_or_insert(*at);
            if end.since(*at) >= self.dwell {
                return true;
            }
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::rules::PLACES;

    fn speaks(readings: impl IntoIterator<Item = (u64, f64)>) -> bool {
        let mut record = Record::new(&PLACES[1]);
        for (sec, watts) in readings {
            record.deliver(Moment(sec * 1000), Span::ZERO, watts);
        }
        record.speaks_for_idle()
    }

    #[test]
    fn only_a_whole_dwell_of_quiet_speaks_for_an_idle_machine() {
        let quiet = |to: u64| (0..=to).step_by(10).map(|sec| (sec, 24.0));
        assert!(speaks(quiet(60)));
        assert!(!speaks(quiet(50)), "too short");
        assert!(!speaks(quiet(60).chain([(70, 134.0)])), "working");
        assert!(speaks(quiet(60).chain([(70, 50.0)])), "neither busy nor quiet");
        assert!(
            !speaks(quiet(30).chain((40..=100).step_by(10).map(|sec| (sec + 61, 24.0))).take(9)),
            "a gap"
        );
    }
}
