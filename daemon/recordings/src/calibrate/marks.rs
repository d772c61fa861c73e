//! When a machine was working and when it was not, as somebody who was there says it.

use idlegate_guard::time::WallTime;
use idlegate_plan::text::bounded;

/// From one moment up to and including another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Interval {
    pub from: WallTime,
    pub until: WallTime,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Marks {
    pub jobs: Vec<Interval>,
    /// If there are any, only they count as quiet; else all that is no job does.
    pub quiet: Vec<Interval>,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum IntervalFault {
    #[error(
        "{0:?} is not an ISO 8601 interval, such as 2026-11-25T08:30:00Z/2026-11-25T10:00:00Z or 2026-11-25T08:30:00Z/PT90M"
    )]
    NotAnInterval(String),
    #[error("{0:?} has no time with Z or an offset, such as 2026-11-25T08:30:00Z")]
    NotATime(String),
    #[error("{0:?} ends before it begins")]
    Backwards(String),
}

impl Interval {
    pub fn contains(&self, at: WallTime) -> bool {
        self.from <= at && at <= self.until
    }
}

/// The three forms of ISO 8601 (4.4.4 of the edition of 2004) that fix an interval: start and end, start and
/// duration, duration and end. Durations of months and years have no length of their own and are not taken.
impl std::str::FromStr for Interval {
    type Err = IntervalFault;

    fn from_str(text: &str) -> Result<Interval, IntervalFault> {
        let fault = || IntervalFault::NotAnInterval(bounded(text));
        let (first, second) = text.trim().split_once('/').ok_or_else(fault)?;
        let is_duration = |part: &str| part.starts_with(['P', 'p']);
        let (from, until) = match (is_duration(first), is_duration(second)) {
            (false, false) => (time(first)?, time(second)?),
            (false, true) => {
                let from = time(first)?;
                (from, WallTime(from.0.saturating_add(duration_millis(second).ok_or_else(fault)?)))
            }
            (true, false) => {
                let until = time(second)?;
                (WallTime(until.0.saturating_sub(duration_millis(first).ok_or_else(fault)?)), until)
            }
            (true, true) => return Err(fault()),
        };
        if until < from {
            return Err(IntervalFault::Backwards(bounded(text)));
        }
        Ok(Interval { from, until })
    }
}

fn time(text: &str) -> Result<WallTime, IntervalFault> {
    idlegate_plan::text::parse_time(text).map_err(|_| IntervalFault::NotATime(bounded(text)))
}

/// A day is 24 hours here, since a time with an offset knows no change to summer time.
fn duration_millis(text: &str) -> Option<i64> {
    let span: jiff::Span = text.parse().ok()?;
    if span.get_years() != 0 || span.get_months() != 0 || span.is_negative() {
        return None;
    }
    let days = i64::from(span.get_days()) + i64::from(span.get_weeks()) * 7;
    let day_free = span.days(0).weeks(0);
    let rest = day_free.total(jiff::Unit::Millisecond).ok()?;
    #[expect(clippy::cast_possible_truncation, reason = "whole milliseconds, far below the limit")]
    Some(days * 86_400_000 + rest as i64)
}
