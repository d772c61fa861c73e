//! The rules of power-threshold, without words or settings. Doubt never counts as quiet.
//!
//! - One reading above `busy_watts` is enough to be busy. So a start-up spike makes a machine busy and costs one
//!   dwell; it never makes anything idle.
//! - Quiet is a run of readings below `quiet_watts`, counted from its first reading to its latest. The time after the
//!   latest reading does not count: nobody has seen it yet.
//! - A reading between the levels ends the run, but what was busy stays busy and what was idle stays idle.
//! - A break in the record (a gap, a step back in time, an impossible value) ends the run, and what was idle is
//!   unknown until the next whole dwell.

use idlegate_detector::{Millis, Span};

/// A reading below this draw is not a meter's noise but a fault, such as a current clamp fitted the wrong way round.
const NOISE_WATTS_MIN: f64 = -5.0;

/// The settings, checked: `quiet_watts` at most `busy_watts`, `gap_max` at most `dwell`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Busy above this draw.
    pub busy_watts: f64,
    /// Quiet below this draw.
    pub quiet_watts: f64,
    /// Idle after this time of quiet.
    pub dwell: Span,
    /// A longer gap between readings ends the quiet.
    pub gap_max: Span,
}

/// What the readings so far add up to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    NothingYet,
    Implausible { watts: f64 },
    Overdue { since_latest: Span },
    Above { watts: f64 },
    BetweenWhileBusy { watts: f64 },
    BetweenWhileIdle { watts: f64 },
    BetweenAtFirst { watts: f64 },
    Dwelling { watts: f64, quiet_for: Span, remaining: Span, was_busy: bool },
    Idle { watts: f64, quiet_for: Span },
}

/// What stands until a reading changes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    Unknown,
    Busy,
    Idle,
}

/// The rules at work on one machine.
#[derive(Debug)]
pub struct Dwell {
    limits: Limits,
    standing: Standing,
    quiet_since: Option<Millis>,
    latest: Option<(Millis, f64)>,
}

impl Finding {
    /// Whether power may be cut.
    pub fn is_idle(&self) -> bool {
        matches!(self, Finding::Idle { .. } | Finding::BetweenWhileIdle { .. })
    }
}

impl Dwell {
    /// Has seen no reading yet.
    pub fn new(limits: Limits) -> Self {
        Dwell { limits, standing: Standing::Unknown, quiet_since: None, latest: None }
    }

    /// Takes a reading in.
    pub fn observe(&mut self, at: Millis, watts: f64) {
        let broken =
            self.latest.is_some_and(|(before, _)| at < before || at.since(before) > self.limits.gap_max);
        if broken || !plausible(watts) {
            self.break_off();
        }
        self.latest = Some((at, watts));
        if !plausible(watts) {
            return;
        }
        if watts > self.limits.busy_watts {
            self.standing = Standing::Busy;
        }
        if watts >= self.limits.quiet_watts {
            self.quiet_since = None;
            return;
        }
        let quiet_since = *self.quiet_since.get_or_insert(at);
        if at.since(quiet_since) >= self.limits.dwell {
            self.standing = Standing::Idle;
        }
    }

    fn break_off(&mut self) {
        self.quiet_since = None;
        if self.standing == Standing::Idle {
            self.standing = Standing::Unknown;
        }
    }

    /// What holds at this time.
    pub fn finding(&self, now: Millis) -> Finding {
        let Some((latest_at, watts)) = self.latest else { return Finding::NothingYet };
        let since_latest = now.since(latest_at);
        if !plausible(watts) {
            return Finding::Implausible { watts };
        }
        if since_latest > self.limits.gap_max {
            return Finding::Overdue { since_latest };
        }
        if watts > self.limits.busy_watts {
            return Finding::Above { watts };
        }
        match (self.quiet_since, self.standing) {
            (None, Standing::Busy) => Finding::BetweenWhileBusy { watts },
            (None, Standing::Idle) => Finding::BetweenWhileIdle { watts },
            (None, Standing::Unknown) => Finding::BetweenAtFirst { watts },
            (Some(since), Standing::Idle) => Finding::Idle { watts, quiet_for: latest_at.since(since) },
            (Some(since), standing @ (Standing::Busy | Standing::Unknown)) => Finding::Dwelling {
                watts,
                quiet_for: latest_at.since(since),
                // The reading that completes the dwell may come as soon as it is over.
                remaining: self.limits.dwell.saturating_sub(now.since(since)),
                was_busy: standing == Standing::Busy,
            },
        }
    }
}

/// False for NaN, too.
fn plausible(watts: f64) -> bool {
    watts.is_finite() && watts >= NOISE_WATTS_MIN
}
