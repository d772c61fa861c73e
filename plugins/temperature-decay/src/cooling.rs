//! The rules of temperature-decay, without words or settings. The sensor decides; the forecast only informs.
//!
//! - Hot is busy at once. Rising is busy, however cold.
//! - Quiet is a run of readings that are neither, counted from its first reading to its latest. Noise about the safe
//!   temperature starts it again each time, so the verdict does not flap.
//! - A break in the record ends the run, and what was idle is unknown. So does a fall no part can have: a sensor that
//!   dropped off or broke is not a part that cooled.

use idlegate_detector::{Millis, Span};

use crate::forecast;
use crate::window::Window;

/// A reading outside this range is a fault of the sensor, such as the -127 of a broken digital one.
const PLAUSIBLE_CEL: std::ops::RangeInclusive<f64> = -60.0..=2_000.0;

/// A fall by more than this, and faster than `SUDDEN_FALL_CEL_PER_SEC`, is not a part cooling down.
const SUDDEN_FALL_CEL: f64 = 30.0;
const SUDDEN_FALL_CEL_PER_SEC: f64 = 3.0;

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Limits {
    pub(crate) safe_below_cel: f64,
    pub(crate) ambient_cel: Option<f64>,
    pub(crate) rise_max_cel: f64,
    pub(crate) dwell: Span,
    pub(crate) window: Span,
    pub(crate) gap_max: Span,
}

/// What the readings so far add up to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Finding {
    NothingYet,
    Implausible { cel: f64 },
    Overdue { since_latest: Span },
    Fell { from_cel: f64, to_cel: f64, remaining: Span },
    Hot { cel: f64, safe_in_at_least: Option<Span> },
    Rising { cel: f64, from_cel: f64 },
    Dwelling { cel: f64, quiet_for: Span, remaining: Span, was_busy: bool },
    Idle { cel: f64 },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    Unknown,
    Busy,
    Idle,
}

/// A sudden fall, and how long the sensor is not trusted because of it.
#[derive(Debug, Clone, Copy)]
struct Fall {
    from_cel: f64,
    to_cel: f64,
    distrusted_until: Millis,
}

#[derive(Debug)]
pub(crate) struct Cooling {
    limits: Limits,
    window: Window,
    standing: Standing,
    quiet_since: Option<Millis>,
    rising_from_cel: Option<f64>,
    fall: Option<Fall>,
    /// When the safe temperature is reached at the earliest.
    safe_at: Option<Millis>,
    latest: Option<(Millis, f64)>,
}

impl Cooling {
    pub(crate) fn new(limits: Limits) -> Self {
        Cooling {
            window: Window::new(limits.window),
            limits,
            standing: Standing::Unknown,
            quiet_since: None,
            rising_from_cel: None,
            fall: None,
            safe_at: None,
            latest: None,
        }
    }

    pub(crate) fn limits(&self) -> &Limits {
        &self.limits
    }

    pub(crate) fn observe(&mut self, at: Millis, cel: f64) {
        let before = self.latest.replace((at, cel));
        if before.is_some_and(|(before, _)| at < before || at.since(before) > self.limits.gap_max) {
            self.break_off();
        }
        if !PLAUSIBLE_CEL.contains(&cel) {
            self.break_off();
            return;
        }
        if let Some((before, from_cel)) = before
            && fell_suddenly(from_cel, cel, at.since(before))
        {
            self.break_off();
            self.fall = Some(Fall { from_cel, to_cel: cel, distrusted_until: at + self.limits.window });
        }
        self.follow(at, cel);
    }

    fn follow(&mut self, at: Millis, cel: f64) {
        if self.window.push(at, cel) {
            self.safe_at = self.forecast();
        }
        let lowest = self.window.lowest().unwrap_or(cel);
        self.rising_from_cel = (cel > lowest + self.limits.rise_max_cel).then_some(lowest);
        if self.fall.is_some_and(|fall| at >= fall.distrusted_until) {
            self.fall = None;
        }
        if cel >= self.limits.safe_below_cel || self.rising_from_cel.is_some() {
            self.standing = Standing::Busy;
            self.quiet_since = None;
            return;
        }
        let quiet_since = *self.quiet_since.get_or_insert(at);
        if at.since(quiet_since) >= self.limits.dwell && self.fall.is_none() {
            self.standing = Standing::Idle;
        }
    }

    fn break_off(&mut self) {
        self.window.clear();
        self.quiet_since = None;
        self.rising_from_cel = None;
        self.safe_at = None;
        if self.standing == Standing::Idle {
            self.standing = Standing::Unknown;
        }
    }

    fn forecast(&self) -> Option<Millis> {
        let (origin, samples) = self.window.samples()?;
        let secs = forecast::secs_at_least(&samples, self.limits.safe_below_cel, self.limits.ambient_cel)?;
        Some(origin + whole_secs(samples.last()?.time + secs))
    }

    pub(crate) fn finding(&self, now: Millis) -> Finding {
        let Some((latest_at, cel)) = self.latest else { return Finding::NothingYet };
        let since_latest = now.since(latest_at);
        if !PLAUSIBLE_CEL.contains(&cel) {
            return Finding::Implausible { cel };
        }
        if since_latest > self.limits.gap_max {
            return Finding::Overdue { since_latest };
        }
        if cel >= self.limits.safe_below_cel {
            let safe_at = self.safe_at.filter(|_| self.rising_from_cel.is_none());
            return Finding::Hot { cel, safe_in_at_least: safe_at.map(|at| at.since(now)) };
        }
        if let Some(from_cel) = self.rising_from_cel {
            return Finding::Rising { cel, from_cel };
        }
        if let Some(Fall { from_cel, to_cel, distrusted_until }) = self.fall {
            return Finding::Fell { from_cel, to_cel, remaining: distrusted_until.since(now) };
        }
        let since = self.quiet_since.unwrap_or(latest_at);
        match self.standing {
            Standing::Idle => Finding::Idle { cel },
            Standing::Busy | Standing::Unknown => Finding::Dwelling {
                cel,
                quiet_for: latest_at.since(since),
                remaining: self.limits.dwell.saturating_sub(now.since(since)),
                was_busy: self.standing == Standing::Busy,
            },
        }
    }
}

fn fell_suddenly(from_cel: f64, to_cel: f64, within: Span) -> bool {
    let fall = from_cel - to_cel;
    PLAUSIBLE_CEL.contains(&from_cel)
        && fall > SUDDEN_FALL_CEL
        && fall > SUDDEN_FALL_CEL_PER_SEC * within.as_secs_f64()
}

/// A number of seconds, rounded down; a bound beyond a hundred days is as good as that.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the range just set")]
fn whole_secs(secs: f64) -> Span {
    Span::from_secs(secs.clamp(0.0, 8_640_000.0) as u64)
}
