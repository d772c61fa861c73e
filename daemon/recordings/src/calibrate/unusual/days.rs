//! What each day of work was like.

use std::collections::BTreeMap;

use idlegate_detector::Span;
use unusual_draw::track::{Levels, Seen, Track};

use super::{Event, Past, moment};
use idlegate_guard::time::WallTime;

const DAY_MILLIS: i64 = 86_400_000;

/// The extremes of one day; nothing where there was nothing of the kind.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Day {
    /// The highest draw in three readings in a row, and the lowest.
    pub(super) highest_watts: Option<f64>,
    pub(super) lowest_watts: Option<f64>,
    pub(super) on_longest: Option<Span>,
    pub(super) work_shortest: Option<Span>,
}

impl Day {
    fn note(&mut self, seen: Seen) {
        let Seen { held, low, on_for, worked_for, .. } = seen;
        self.highest_watts = held.map_or(self.highest_watts, |watts| {
            Some(self.highest_watts.map_or(watts, |most| most.max(watts)))
        });
        self.lowest_watts = low.map_or(self.lowest_watts, |watts| {
            Some(self.lowest_watts.map_or(watts, |least| least.min(watts)))
        });
        self.on_longest = self.on_longest.max(on_for);
        self.work_shortest = worked_for.map_or(self.work_shortest, |span| {
            Some(self.work_shortest.map_or(span, |least| least.min(span)))
        });
    }
}

/// By the day of the calendar, of all the recordings together.
pub(super) fn days(pasts: &[Past], levels: Levels) -> Vec<Day> {
    let mut days: BTreeMap<i64, Day> = BTreeMap::new();
    for past in pasts {
        follow(past, levels, |at, seen| days.entry(at.0.div_euclid(DAY_MILLIS)).or_default().note(seen));
    }
    days.into_values().collect()
}

/// What the detector sees in a recording, reading by reading.
fn follow(past: &Past, levels: Levels, mut tell: impl FnMut(WallTime, Seen)) {
    let mut track = Track::new(levels);
    for event in past.events() {
        match event {
            Event::Outlet { at, is_off } => track.outlet(at, is_off),
            Event::Power(sample) => tell(sample.at, track.power(moment(sample.at), sample.watts)),
        }
    }
}
