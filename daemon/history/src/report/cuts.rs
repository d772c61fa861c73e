//! Jobs that ended because their power went: when, how far into them, how, and by whom.

use super::ledger::{Doing, Stretch};
use idlegate_engine::JobEnd;
use idlegate_guard::time::{Span, WallTime};
use idlegate_messages::{Decision, Order};

/// An order, its repetitions and the outlet's report take no longer than this.
const FOLLOWS_WITHIN_MS: i64 = 60_000;
/// With its power a machine's meter may fall silent a moment before its outlet reports; and the guard may have been
/// started anew in that very moment.
const UNCLEAR_MS: i64 = 60_000;

#[derive(Clone, Debug, PartialEq)]
pub struct CutJob {
    pub at: WallTime,
    /// When the job began, or the report does.
    pub since: WallTime,
    pub how: How,
    /// The input, where Idlegate was asked.
    pub input: Option<String>,
    /// The name that came with the request, which nobody has checked.
    pub who: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum How {
    Forced,
    Emergency,
    /// It counted as idle a moment before.
    CountedAsIdle,
    /// By whatever else can switch that outlet.
    NotThroughIdlegate,
    PowerLost,
}

impl How {
    pub(super) const fn word(self) -> &'static str {
        match self {
            How::Forced => "forced",
            How::Emergency => "emergency",
            How::CountedAsIdle => "counted-as-idle",
            How::NotThroughIdlegate => "not-through-idlegate",
            How::PowerLost => "power-lost",
        }
    }

    /// By the word of the job's record. Nothing for one that was finished, or whose end nobody saw.
    pub(super) fn from_record(word: &str) -> Option<How> {
        let ended = JobEnd::ALL.into_iter().find(|end| end.word() == word)?;
        match ended {
            JobEnd::Forced => Some(How::Forced),
            JobEnd::Emergency => Some(How::Emergency),
            JobEnd::CountedAsIdle => Some(How::CountedAsIdle),
            JobEnd::CutElsewhere => Some(How::NotThroughIdlegate),
            JobEnd::PowerLost => Some(How::PowerLost),
            JobEnd::Finished | JobEnd::Unseen => None,
        }
    }
}

impl CutJob {
    pub(crate) fn time_in_job(&self) -> Span {
        Span(u64::try_from(self.at.0 - self.since.0).unwrap_or(0))
    }

    /// "forced off by bench-button"
    pub fn in_words(&self) -> String {
        let by = self.input.as_deref().map_or_else(String::new, |input| format!(" by {input}"));
        let who = self.who.as_deref().map_or_else(String::new, |who| format!(" (in the name of {who})"));
        let how = match self.how {
            How::Forced => "forced off",
            How::Emergency => "emergency-off",
            How::CountedAsIdle => "switched off when it counted as idle, asked for",
            How::NotThroughIdlegate => return "switched off, but not through Idlegate".to_owned(),
            How::PowerLost => return "its power was lost".to_owned(),
        };
        format!("{how}{by}{who}")
    }
}

/// The newest off that was sent, and the newest request for one that was granted.
#[derive(Clone, Debug, Default)]
pub(super) struct LastOff {
    order: Option<(WallTime, How)>,
    asked: Option<(WallTime, Option<String>, Option<String>)>,
}

impl LastOff {
    pub(super) fn ordered(&mut self, at: WallTime, order: &Order) {
        let how = match order.cause.as_deref() {
            Some("forced") => How::Forced,
            Some("emergency") => How::Emergency,
            Some(_) | None => How::CountedAsIdle,
        };
        self.order = (order.switch == "off").then_some((at, how));
    }

    pub(super) fn granted(&mut self, at: WallTime, said: &Decision) {
        self.asked = Some((at, Some(said.input.clone()), said.who.clone()));
    }

    /// The outlet went off. Nothing if it was not in the middle of a job.
    pub(super) fn cut(&self, at: WallTime, stretches: &[Stretch]) -> Option<CutJob> {
        let is_known = |stretch: &&Stretch| match stretch.doing {
            Doing::Working | Doing::Idle | Doing::Off => true,
            Doing::Unclear | Doing::Unseen => at.0 - stretch.from.0 > UNCLEAR_MS,
        };
        let job = stretches.iter().rev().find(is_known)?;
        if job.doing != Doing::Working || stretches.last()?.until != at {
            return None;
        }
        let is_recent = |then: WallTime| at.0 - then.0 <= FOLLOWS_WITHIN_MS;
        let how = self.order.filter(|(then, _)| is_recent(*then)).map(|(_, how)| how);
        let asked = self.asked.clone().filter(|(then, _, _)| how.is_some() && is_recent(*then));
        let (input, who) = asked.map_or((None, None), |(_, input, who)| (input, who));
        Some(CutJob { at, since: job.from, how: how.unwrap_or(How::NotThroughIdlegate), input, who })
    }
}
