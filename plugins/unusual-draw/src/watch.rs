//! The rules of unusual-draw, without words or settings.
//!
//! - Higher: three readings in a row above the limit. It lasts until ten minutes have gone without that, so that a heater
//!   that goes on and off is not told of each time.
//! - Stuck on: on for longer than the limit without a reading at or below `on_watts`.
//! - Dead: no draw for long enough straight after work. Silent: no draw for long enough after a switch-on. Both last
//!   until it draws again.
//! - Stopped early: work that was seen to begin has ended sooner than the limit. It lasts until it works again.
//! - All of them end when the outlet goes off.

use idlegate_detector::{Millis, Span};

use crate::track::{Levels, Seen, Track};

/// What is told. A limit that is left out is not watched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    pub levels: Levels,
    pub higher_than_watts: Option<f64>,
    pub on_longer_than: Option<Span>,
    pub work_shorter_than: Option<Span>,
    pub dead_after: Option<Span>,
    pub draws_within: Option<Span>,
}

/// What is unusual about a draw, the first of them if it is several.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unusual {
    Higher { watts: f64 },
    Silent { since_on: Span },
    Dead { dead_for: Span },
    StuckOn { on_for: Span },
    StoppedEarly { worked_for: Span },
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    NothingYet,
    Overdue { since_latest: Span },
    Off,
    Usual,
    Unusual(Unusual),
}

/// So long after the last high draw it is over.
const HIGH_LASTS: Span = Span::from_mins(10);

#[derive(Debug)]
pub struct Watch {
    limits: Limits,
    track: Track,
    seen: Seen,
    /// When it was last too high, and how high it was at most.
    high: Option<(Millis, f64)>,
    stopped_early: Option<Span>,
}

impl Watch {
    /// Has seen nothing yet.
    pub fn new(limits: Limits) -> Watch {
        Watch {
            limits,
            track: Track::new(limits.levels),
            seen: Seen::default(),
            high: None,
            stopped_early: None,
        }
    }

    pub fn outlet(&mut self, at: Millis, is_off: bool) {
        self.track.outlet(at, is_off);
        if is_off {
            self.seen = Seen::default();
            self.high = None;
            self.stopped_early = None;
        }
    }

    pub fn power(&mut self, at: Millis, watts: f64) {
        self.seen = self.track.power(at, watts);
        let limit = self.limits.higher_than_watts.unwrap_or(f64::INFINITY);
        if let Some(held) = self.seen.held.filter(|held| *held > limit) {
            let highest = self.high.map_or(held, |(_, highest)| highest.max(held));
            self.high = Some((at, highest));
        }
        self.high = self.high.filter(|(last, _)| at >= *last && at.since(*last) < HIGH_LASTS);
        if self.seen.works {
            self.stopped_early = None;
        }
        let limit = self.limits.work_shorter_than.unwrap_or(Span::ZERO);
        if let Some(worked_for) = self.seen.worked_for.filter(|worked| *worked < limit) {
            self.stopped_early = Some(worked_for);
        }
    }

    /// What holds at this time.
    pub fn finding(&self, now: Millis) -> Finding {
        let Some(latest) = self.track.latest() else { return Finding::NothingYet };
        let since_latest = now.since(latest);
        if since_latest > self.limits.levels.gap_max {
            return Finding::Overdue { since_latest };
        }
        if self.track.is_off() {
            return Finding::Off;
        }
        self.unusual().map_or(Finding::Usual, Finding::Unusual)
    }

    fn unusual(&self) -> Option<Unusual> {
        let Limits { on_longer_than, dead_after, draws_within, .. } = self.limits;
        let reached = |lasted: Option<Span>, limit: Option<Span>| {
            lasted.zip(limit).and_then(|(lasted, limit)| (lasted >= limit).then_some(lasted))
        };
        let high = self.high.map(|(_, watts)| Unusual::Higher { watts });
        let silent = || reached(self.seen.silent_for, draws_within);
        let dead = || reached(self.seen.dead_for, dead_after);
        let stuck = || reached(self.seen.on_for, on_longer_than);
        high.or_else(|| silent().map(|since_on| Unusual::Silent { since_on }))
            .or_else(|| dead().map(|dead_for| Unusual::Dead { dead_for }))
            .or_else(|| stuck().map(|on_for| Unusual::StuckOn { on_for }))
            .or_else(|| self.stopped_early.map(|worked_for| Unusual::StoppedEarly { worked_for }))
    }
}
