//! How long must it be quiet before a job is over, and not only pausing? As long as waiting is worth it.
//!
//! Each dwell has a price. Whoever stands at a machine that has finished waits for it. A job whose pause outlasts it is
//! spoiled, which is as bad as [`JobWorth`] of waiting. The dwell with the lowest price over the silences to come is
//! taken. What those will be like is estimated from the silences seen so far, with an allowance for what has not been
//! seen yet: half a pause of any length. `daemon/CALIBRATION.md` derives all of it.

use super::levels::millis;
use super::marks::Interval;
use super::silences::Silences;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::JOB_WORTH;

/// A silence that lasts longer is the end of a job, unless that machine has shown a longer pause.
pub const HORIZON: Span = Span::secs(15 * 60);
/// No dwell is shorter. Half of the machines ever recorded never pause for longer inside a job: the proof `protection`
/// works this out from all recordings. It is the only number here that comes from data.
pub const FLOOR: Span = Span::secs(2 * 60);
/// A shorter silence is none, since meters report no more often.
const SHORTEST: Span = Span::secs(1);
/// People write a dwell in steps of this.
const STEP: Span = Span::secs(5);
/// Pauses of at least this length are of the kind that a dwell of the floor might not outlast.
const LONG_PAUSE_MIN: Span = Span(FLOOR.0 / 2);
/// A pause that has not been seen yet is no longer; what lies beyond the horizon is not waited for.
const UNSEEN_MAX: Span = Span::secs(3_600);
/// So many pauses are added to those seen: the mean of a rate is (seen + 1/2) / jobs under its prior (Jeffreys, 1946).
pub(super) const UNSEEN: f64 = 0.5;

/// One spoiled job is as bad as so much waiting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JobWorth(pub Span);

impl Default for JobWorth {
    fn default() -> JobWorth {
        JobWorth(JOB_WORTH)
    }
}

/// The dwell for silences of which nothing but their lengths is known, from a meter that may report only every minute.
pub fn dwell_for(pauses: &[Span], finished: usize, worth: JobWorth) -> Span {
    let pause = |length: &Span| Interval { from: WallTime(0), until: WallTime(length.0.cast_signed()) };
    let silences = Silences { pauses: pauses.iter().map(pause).collect(), finished };
    Dwell::of(silences, worth, Span::secs(60)).dwell
}

/// A dwell and what it rests on.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Dwell {
    pub(super) dwell: Span,
    pub(super) silences: Silences,
    /// The chance that the job goes on after a silence that has lasted for the whole dwell.
    pub(super) goes_on_chance: f64,
}

impl Dwell {
    /// `interval` is how far readings lie apart.
    pub(super) fn of(silences: Silences, worth: JobWorth, interval: Span) -> Dwell {
        let outlook = Outlook::new(&silences, interval);
        let quarter = quarter(interval);
        let longest = silences.longest().unwrap_or_default();
        // One step beyond the longest pause holds all that were seen.
        let last = quarter.max(Span(whole_steps(longest).0 + STEP.0));
        let steps = (FLOOR.0 / STEP.0)..=(last.0 / STEP.0).max(FLOOR.0 / STEP.0);
        let priced = steps.map(|steps| {
            let dwell = Span(steps * STEP.0);
            (dwell, outlook.price(dwell, worth))
        });
        let cheapest = priced.min_by(|one, other| one.1.total_cmp(&other.1));
        let (dwell, _) = cheapest.expect("the floor is always one of them");
        Dwell { dwell, goes_on_chance: outlook.goes_on_chance(dwell), silences }
    }

    /// Where a silence and a job's last phase look alike, nothing seen makes it shorter than the horizon.
    pub(super) fn at_least_the_horizon(self, interval: Span) -> Dwell {
        let dwell = self.dwell.max(quarter(interval));
        let goes_on_chance = Outlook::new(&self.silences, interval).goes_on_chance(dwell);
        Dwell { dwell, goes_on_chance, silences: self.silences }
    }
}

/// The dwell that is over before the horizon. The first quiet reading may come a whole interval after the machine fell
/// quiet, and the one that completes the dwell a whole interval after it is over.
fn quarter(interval: Span) -> Span {
    whole_steps(Span(HORIZON.0.saturating_sub(interval.0.saturating_mul(2).max(1))))
}

fn whole_steps(span: Span) -> Span {
    Span(span.0 / STEP.0 * STEP.0)
}

/// What the silences to come will be like, in numbers for as many jobs as were seen.
pub(super) struct Outlook {
    finished: f64,
    /// In order of length, in milliseconds.
    pauses: Vec<f64>,
    /// Pauses that a dwell of the floor would not outlast: the kind that matters.
    long: Kind,
}

/// Pauses of one kind: how many, and the shortest and the longest, in milliseconds.
struct Kind {
    count: f64,
    shortest: f64,
    longest: f64,
    interval: f64,
}

impl Outlook {
    pub(super) fn new(silences: &Silences, interval: Span) -> Outlook {
        let mut pauses: Vec<f64> = silences.lengths().map(millis).collect();
        pauses.sort_unstable_by(f64::total_cmp);
        let from = pauses.partition_point(|pause| *pause < millis(LONG_PAUSE_MIN));
        let long = &pauses[from..];
        #[expect(clippy::cast_precision_loss, reason = "nobody has so many silences")]
        let (finished, count) = (silences.finished as f64, long.len() as f64);
        let long = Kind {
            count,
            shortest: long.first().copied().unwrap_or(0.0),
            longest: long.last().copied().unwrap_or(0.0),
            interval: millis(interval).max(millis(SHORTEST)),
        };
        Outlook { finished, pauses, long }
    }

    /// In milliseconds of waiting, over all these silences.
    fn price(&self, dwell: Span, worth: JobWorth) -> f64 {
        millis(dwell) * self.finished + millis(worth.0) * self.outlasting(dwell)
    }

    /// How many of the silences outlast the dwell and go on then.
    pub(super) fn outlasting(&self, dwell: Span) -> f64 {
        let dwell = millis(dwell);
        let seen = self.pauses.len() - self.pauses.partition_point(|pause| *pause < dwell);
        #[expect(clippy::cast_precision_loss, reason = "nobody has so many silences")]
        let seen = seen as f64;
        seen + self.long.longer_than_any(dwell) + UNSEEN * still_unseen(dwell)
    }

    fn goes_on_chance(&self, dwell: Span) -> f64 {
        let outlasting = self.outlasting(dwell);
        outlasting / (self.finished + outlasting)
    }
}

/// A pause that has not been seen yet may have any length from a second to an hour, each doubling as likely as the next
/// (Jeffreys' prior of a scale): the part of it that lies between the dwell and the horizon.
pub(super) fn still_unseen(dwell_millis: f64) -> f64 {
    ((millis(HORIZON) / dwell_millis).ln() / (millis(UNSEEN_MAX) / millis(SHORTEST)).ln()).clamp(0.0, 1.0)
}

impl Kind {
    /// How many of as many pauses again would outlast both the longest and the dwell.
    fn longer_than_any(&self, dwell_millis: f64) -> f64 {
        if self.count < 1.0 {
            return 0.0;
        }
        let next = self.count / (self.count + 1.0);
        if dwell_millis <= self.longest {
            return next;
        }
        // A single one tells nothing of how far they spread.
        if self.count < 2.0 {
            let horizon = millis(HORIZON).max(self.longest * 2.0);
            return next * ((horizon / dwell_millis).ln() / (horizon / self.longest).ln()).clamp(0.0, 1.0);
        }
        let spread = (self.longest - self.shortest).max(self.interval);
        next * beyond(spread, dwell_millis - self.longest, self.count)
    }
}

/// The chance that what exceeds `count` equally spread values exceeds them by more than `by`, if neither end of the
/// spread is known: the predictive distribution of the uniform law (Aitchison and Dunsmore, Statistical Prediction
/// Analysis, 1975).
pub(super) fn beyond(spread: f64, by: f64, count: f64) -> f64 {
    (spread / (spread + by)).powf(count - 1.0)
}
