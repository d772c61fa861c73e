//! What the detector would have said: its own rules, run over a recording.

use idlegate_detector as sdk;
use power_threshold::dwell::{Dwell, Finding, Limits};

use super::marks::Interval;
use super::take::{Take, since};
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::event::Verdict;

/// The stretches of a recording in which power could have been cut.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LetThrough(pub Vec<Interval>);

/// Runs power-threshold with these limits over the recording, from its first reading, knowing nothing before it.
pub fn let_through(take: &Take, limits: Limits) -> LetThrough {
    let idle = |(interval, verdict)| (verdict == Verdict::Idle).then_some(interval);
    LetThrough(verdicts(take, limits).into_iter().filter_map(idle).collect())
}

/// The same run, with everything that it says.
pub(super) fn verdicts(take: &Take, limits: Limits) -> Vec<(Interval, Verdict)> {
    let mut dwell = Dwell::new(limits);
    let gap_max = i64::try_from(limits.gap_max.as_millis()).unwrap_or(i64::MAX);
    let mut verdicts: Vec<(Interval, Verdict)> = Vec::new();
    let mut lasts = |from: WallTime, until: WallTime, verdict: Verdict| match verdicts.last_mut() {
        _ if from >= until => {}
        Some((before, same)) if before.until == from && *same == verdict => before.until = until,
        Some(_) | None => verdicts.push((Interval { from, until }, verdict)),
    };
    for (index, sample) in take.samples.iter().enumerate() {
        let at = moment(take, sample.at);
        dwell.observe(at, sample.watts);
        // It stands until the next reading, but no longer than the detector waits for one.
        let overdue = WallTime(sample.at.0.saturating_add(gap_max));
        let next = take.samples.get(index + 1).map_or(overdue, |next| next.at);
        lasts(sample.at, next.min(overdue), verdict(dwell.finding(at)));
        lasts(overdue, next, Verdict::Unknown);
    }
    verdicts
}

fn verdict(finding: Finding) -> Verdict {
    match finding {
        Finding::Idle { .. } | Finding::BetweenWhileIdle { .. } => Verdict::Idle,
        Finding::Above { .. }
        | Finding::BetweenWhileBusy { .. }
        | Finding::Dwelling { was_busy: true, .. } => Verdict::Busy,
        Finding::NothingYet
        | Finding::Implausible { .. }
        | Finding::Overdue { .. }
        | Finding::BetweenAtFirst { .. }
        | Finding::Dwelling { was_busy: false, .. } => Verdict::Unknown,
    }
}

fn moment(take: &Take, at: WallTime) -> sdk::Millis {
    sdk::Millis(since(take.from(), at).0)
}

impl LetThrough {
    /// How much of this time power could have been cut.
    pub fn within(&self, interval: Interval) -> Span {
        let overlap =
            |stretch: &Interval| since(stretch.from.max(interval.from), stretch.until.min(interval.until)).0;
        Span(self.0.iter().map(overlap).sum())
    }

    /// How long after the end of a job power is let through for the first time, if that happens before `limit`.
    pub fn released(&self, end: WallTime, limit: WallTime) -> Option<Span> {
        let first = self.0.iter().find(|stretch| stretch.until > end)?;
        let at = first.from.max(end);
        (at < limit).then(|| since(end, at))
    }
}
