//! One schedule under watch: what is due at each look at the clocks.

use std::collections::BTreeSet;

use super::timetable::Timetable;
use idlegate_guard::time::{Now, Span, WallTime};

/// 2025-01-01T00:00:00Z. A wall clock that stands before it has not been set.
pub(super) const TRUSTED_FROM: WallTime = WallTime(1_735_689_600_000);
/// The wall clock may be stepped at any time, so it is looked at this often.
const LOOK_EVERY: Span = Span::secs(30);
/// Longer than this without a look, or a step forward by more, is time that nobody watched.
const UNWATCHED_MAX_MILLIS: i64 = 120_000;
/// Firings remembered, in case the clock is set back: more than a day of minutes.
const FIRED_MAX: usize = 4_096;

#[derive(Clone, Debug)]
pub struct Watch {
    timetable: Timetable,
    make_up_missed: bool,
    /// What was scheduled up to here has fired or is missed.
    watched_until: Option<WallTime>,
    looked: Option<Now>,
    fired: BTreeSet<WallTime>,
}

impl Watch {
    pub fn new(timetable: Timetable, make_up_missed: bool) -> Watch {
        Watch { timetable, make_up_missed, watched_until: None, looked: None, fired: BTreeSet::new() }
    }

    /// A firing of a former run. It never fires again; what came after it can be caught up with.
    pub fn recall(&mut self, fired: WallTime) {
        self.note(fired);
        if self.make_up_missed {
            let newest = self.fired.last().copied();
            self.watched_until = match self.watched_until {
                Some(until) => newest.map(|newest| newest.min(until)),
                None => newest,
            };
        }
    }

    /// The instant of the firing that is due, if one is. Each instant is given out once, and one at a time.
    pub fn due(&mut self, now: Now) -> Option<WallTime> {
        if now.wall < TRUSTED_FROM {
            self.looked = None;
            return None;
        }
        let unwatched = self.looked.is_none_or(|looked| is_unwatched(looked, now));
        self.looked = Some(now);
        let from = match self.watched_until {
            Some(until) if until <= now.wall && (self.make_up_missed || !unwatched) => until,
            // At the start, after a gap in the watching, or after a step back: from now on.
            Some(_) | None => {
                self.watched_until = Some(now.wall);
                return None;
            }
        };
        self.watched_until = Some(now.wall);
        let last = self.timetable.last_until(now.wall).filter(|last| *last > from)?;
        self.note(last).then_some(last)
    }

    /// How long until the next look is needed.
    pub fn next_look(&self, now: Now) -> Span {
        if now.wall < TRUSTED_FROM {
            return LOOK_EVERY;
        }
        let next = self.timetable.next_after(now.wall);
        let wait = next.and_then(|next| u64::try_from(next.0.saturating_sub(now.wall.0)).ok());
        wait.map_or(LOOK_EVERY, |wait| Span(wait).min(LOOK_EVERY))
    }

    /// The next firing, as far as the clock can be trusted.
    pub fn next(&self, now: Now) -> Option<WallTime> {
        (now.wall >= TRUSTED_FROM).then(|| self.timetable.next_after(now.wall)).flatten()
    }

    /// False if it had fired already.
    fn note(&mut self, instant: WallTime) -> bool {
        let new = self.fired.insert(instant);
        if self.fired.len() > FIRED_MAX {
            self.fired.pop_first();
        }
        new
    }
}

fn is_unwatched(looked: Now, now: Now) -> bool {
    let by_wall = now.wall.0.saturating_sub(looked.wall.0);
    let by_moment = i64::try_from(now.moment.since(looked.moment).0).unwrap_or(i64::MAX);
    by_wall > UNWATCHED_MAX_MILLIS || by_moment > UNWATCHED_MAX_MILLIS
}
