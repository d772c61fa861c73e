//! The rules of level, without words or settings.
//!
//! - A value is above the upper limit, below the lower one, or within. A run is an unbroken row of readings beyond a
//!   limit, or of readings within, counted from its first reading to its latest. The time after the latest does not count:
//!   nobody has seen it yet.
//! - A run as long as `lasting` settles it: beyond is busy, within is idle. A shorter run changes nothing yet; but what was
//!   idle is in doubt while the value is beyond.
//! - A break in the record (a gap, a step back in time) ends the run, and what was idle is unknown until the next whole
//!   run.

use idlegate_detector::{Millis, Span};

/// The settings, checked: at least one limit, `less_than` below `more_than`, `gap_max` at most `lasting`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Limits {
    pub(crate) more_than: Option<f64>,
    pub(crate) less_than: Option<f64>,
    pub(crate) lasting: Span,
    /// A longer gap between readings ends the run.
    pub(crate) gap_max: Span,
}

/// Where a value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    Above,
    Below,
    Within,
}

/// What the readings so far add up to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Finding {
    NothingYet,
    Overdue {
        since_latest: Span,
    },
    /// The run has lasted.
    Settled {
        value: f64,
        side: Side,
        lasted: Span,
    },
    /// It has not yet, and this is what counts until then.
    Lasting {
        value: f64,
        side: Side,
        lasted: Span,
        remaining: Span,
        until_then: UntilThen,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum UntilThen {
    Busy,
    Idle,
    Unknown,
}

/// What stands until a run changes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    Unknown,
    Busy,
    Idle,
}

/// The rules at work on one quantity.
#[derive(Debug)]
pub(crate) struct Run {
    limits: Limits,
    standing: Standing,
    since: Millis,
    latest: Option<(Millis, f64)>,
}

impl Limits {
    pub(crate) fn side(&self, value: f64) -> Side {
        match (self.more_than, self.less_than) {
            (Some(limit), _) if value > limit => Side::Above,
            (_, Some(limit)) if value < limit => Side::Below,
            _ => Side::Within,
        }
    }
}

impl Side {
    fn is_beyond(self) -> bool {
        self != Side::Within
    }
}

impl Run {
    /// Has seen no reading yet.
    pub(crate) fn new(limits: Limits) -> Self {
        Run { limits, standing: Standing::Unknown, since: Millis(0), latest: None }
    }

    pub(crate) fn observe(&mut self, at: Millis, value: f64) {
        let side = self.limits.side(value);
        let goes_on = self.latest.is_some_and(|(before, earlier)| {
            let unbroken = at >= before && at.since(before) <= self.limits.gap_max;
            if !unbroken && self.standing == Standing::Idle {
                self.standing = Standing::Unknown;
            }
            unbroken && self.limits.side(earlier).is_beyond() == side.is_beyond()
        });
        if !goes_on {
            self.since = at;
        }
        self.latest = Some((at, value));
        if at.since(self.since) >= self.limits.lasting {
            self.standing = if side.is_beyond() { Standing::Busy } else { Standing::Idle };
        }
    }

    /// What holds at this time.
    pub(crate) fn finding(&self, now: Millis) -> Finding {
        let Some((latest_at, value)) = self.latest else { return Finding::NothingYet };
        let since_latest = now.since(latest_at);
        if since_latest > self.limits.gap_max {
            return Finding::Overdue { since_latest };
        }
        let side = self.limits.side(value);
        let lasted = latest_at.since(self.since);
        // The reading that completes the run may come as soon as its time is over.
        let remaining = self.limits.lasting.saturating_sub(now.since(self.since));
        let until_then = match (self.standing, side.is_beyond()) {
            (Standing::Busy, true) | (Standing::Idle, false) if lasted >= self.limits.lasting => {
                return Finding::Settled { value, side, lasted };
            }
            (Standing::Busy, _) => UntilThen::Busy,
            // It was in order a moment ago, and a stray reading since then has not lasted.
            (Standing::Idle, false) => UntilThen::Idle,
            (Standing::Idle, true) | (Standing::Unknown, _) => UntilThen::Unknown,
        };
        Finding::Lasting { value, side, lasted, remaining, until_then }
    }
}
