//! How a job ended.

use std::sync::Arc;

use super::{FOLLOWS_WITHIN, GLIMPSE, Look, Mark, OUTLET_PATIENCE, Running};
use idlegate_guard::Cause;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::JobRules;

/// The words are part of the journal's format: new ones may come, none changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum JobEnd {
    Finished,
    Forced,
    Emergency,
    /// By a plain off of ours, though it worked: it had counted as idle a moment before.
    CountedAsIdle,
    /// By whatever else can switch its outlet.
    CutElsewhere,
    PowerLost,
    /// While nobody could see it.
    Unseen,
}

impl JobEnd {
    pub const ALL: [JobEnd; 7] = [
        JobEnd::Finished,
        JobEnd::Forced,
        JobEnd::Emergency,
        JobEnd::CountedAsIdle,
        JobEnd::CutElsewhere,
        JobEnd::PowerLost,
        JobEnd::Unseen,
    ];

    pub const fn word(self) -> &'static str {
        match self {
            JobEnd::Finished => "finished",
            JobEnd::Forced => "forced",
            JobEnd::Emergency => "emergency",
            JobEnd::CountedAsIdle => "counted-as-idle",
            JobEnd::CutElsewhere => "cut-elsewhere",
            JobEnd::PowerLost => "power-lost",
            JobEnd::Unseen => "unseen",
        }
    }
}

/// A job that is over.
#[derive(Clone, Debug, PartialEq)]
pub struct JobOver {
    pub begun: WallTime,
    /// It was found at work, and may have begun earlier.
    pub begin_unseen: bool,
    /// Where nobody saw the end, or can tell it from a pause: not before this.
    pub not_before: Option<WallTime>,
    pub ended: WallTime,
    /// At least.
    pub lasted: Span,
    pub how: JobEnd,
    /// The input whose request ended it.
    pub by: Option<Arc<str>>,
    /// The name that came with the request, which nobody has checked.
    pub who: Option<Arc<str>>,
    /// Nothing for a machine without a meter.
    pub joules: Option<f64>,
    pub watts_max: Option<f64>,
    pub cost: Option<f64>,
    /// In between nobody saw it for so long.
    pub unseen: Span,
}

/// An order to switch the machine off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Off {
    pub(crate) at: Now,
    pub(crate) cause: Cause,
    pub(crate) by: Option<Arc<str>>,
    pub(crate) who: Option<Arc<str>>,
}

impl Running {
    /// The machine is at rest, and nobody waits any more for it to go on.
    pub(super) fn has_ended(&self, now: Moment, rules: &JobRules) -> Option<JobOver> {
        if let Some(gap) = self.gap {
            let waited = gap.idle_since.is_some_and(|since| now.since(since) >= OUTLET_PATIENCE);
            let until =
                gap.idle_since.map(|since| Span(self.lasted(now).0.saturating_sub(now.since(since).0)))?;
            let wall =
                WallTime(gap.from.wall.0.saturating_add_unsigned(until.0.saturating_sub(gap.from.into.0)));
            let mark = Mark { wall, into: until, drawn: self.drawn };
            return waited.then(|| self.unseen_end(self.since_seen(), mark));
        }
        let quiet = self.quiet?;
        let is_over = rules.pause.map_or(self.idle, |pause| self.lasted(now) >= quiet.into + pause);
        is_over.then(|| self.idle_end(quiet))
    }

    /// Its outlet says that it is off.
    pub(super) fn went_off(&self, look: &Look) -> JobOver {
        let mark = self.mark(look.now);
        let off = self.off.as_ref().filter(|off| follows(off.at, look.now));
        let was_hidden = self.hidden.is_some() || self.gap.is_some_and(|gap| gap.length(mark.into) > GLIMPSE);
        if self.idle
            && let Some(quiet) = self.quiet
        {
            return self.idle_end(quiet);
        }
        let by = |over: JobOver| match off {
            Some(off) => JobOver { by: off.by.clone(), who: off.who.clone(), ..over },
            None => over,
        };
        match (off.map(|off| off.cause), self.quiet) {
            (_, _) if was_hidden => by(self.unseen_or_lost(mark)),
            (Some(Cause::Emergency), _) => by(self.cut(JobEnd::Emergency, mark)),
            (Some(Cause::Forced), _) => by(self.cut(JobEnd::Forced, mark)),
            (Some(Cause::Plain), Some(quiet)) => self.ended(JobEnd::Finished, quiet),
            (Some(Cause::Plain), None) => by(self.ended(JobEnd::CountedAsIdle, mark)),
            (None, _) if self.outlet_gone.is_some() => self.unseen_or_lost(mark),
            (None, _) => self.cut(JobEnd::CutElsewhere, mark),
        }
    }

    fn idle_end(&self, quiet: Mark) -> JobOver {
        match self.hidden {
            Some((from, until)) => self.unseen_end(from, until),
            None => self.ended(JobEnd::Finished, quiet),
        }
    }

    /// One that had fallen quiet may have been done since then: nobody can tell a pause from an end before its dwell is
    /// over.
    fn cut(&self, how: JobEnd, mark: Mark) -> JobOver {
        let lasted = self.quiet.map_or(mark.into, |quiet| quiet.into);
        JobOver { not_before: self.quiet.map(|quiet| quiet.wall), lasted, ..self.ended(how, mark) }
    }

    /// Found off after nobody could see it. Where others were lost with it at the same time, its power was.
    fn unseen_or_lost(&self, mark: Mark) -> JobOver {
        let over = self.unseen_end(self.since_seen(), mark);
        if self.outlet_gone.is_some_and(|gone| gone.with_others) {
            JobOver { how: JobEnd::PowerLost, ..over }
        } else {
            over
        }
    }

    pub(super) fn unseen_end(&self, from: Mark, until: Mark) -> JobOver {
        // What is counted of a gap is what lies before the end.
        let open = self.gap.map_or(Span::ZERO, |gap| gap.length(until.into));
        let over = self.ended(JobEnd::Unseen, until);
        JobOver { not_before: Some(from.wall), lasted: from.into, unseen: self.unseen + open, ..over }
    }

    fn ended(&self, how: JobEnd, mark: Mark) -> JobOver {
        JobOver {
            begun: self.begun,
            begin_unseen: self.begin_unseen,
            not_before: None,
            ended: mark.wall,
            lasted: mark.into,
            how,
            by: None,
            who: None,
            joules: mark.drawn.joules,
            watts_max: mark.drawn.joules.map(|_| mark.drawn.watts_max),
            cost: mark.drawn.cost,
            unseen: self.unseen,
        }
    }
}

/// After a restart moments of before mean nothing; the wall clock has to do.
fn follows(ordered: Now, now: Now) -> bool {
    let by_moment = now.moment >= ordered.moment && now.moment.since(ordered.moment) <= FOLLOWS_WITHIN;
    let by_wall =
        u64::try_from(now.wall.0 - ordered.wall.0).is_ok_and(|passed| Span(passed) <= FOLLOWS_WITHIN);
    by_moment || by_wall
}
