//! What follows when a machine goes back to work soon after it counted as idle, seen from outside. It may be held for
//! longer than its detector asks for, but no longer than would have outlasted that silence; and in another silence like
//! that one it must not be switched off. A machine that never did so is held by nothing but its detector.

use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Verdict;

/// Work that begins later is another job.
const BACK_WITHIN: Span = Span::secs(900);
/// A word of the detector may take so long to the guard, and back.
const ON_ITS_WAY: Span = Span::secs(3);

#[derive(Debug, Default)]
pub struct Resumption {
    /// It has worked since it was last out of sight.
    worked: bool,
    /// Since when its detector has said idle without a break.
    idle_since: Option<Moment>,
    /// What its outlet said last.
    outlet: Option<Switch>,
    /// The longest idle time after which it went back to work: whatever might be taken for that, and what must be.
    perhaps: Option<Span>,
    surely: Option<Span>,
    /// So often it surely did.
    pub seen: u64,
}

impl Resumption {
    pub(super) fn said(&mut self, now: Moment, verdict: Verdict, foresees_idle: bool) {
        if self.outlet == Some(Switch::Off) {
            return self.out_of_sight();
        }
        match verdict {
            Verdict::Idle => {
                self.idle_since.get_or_insert(now);
            }
            Verdict::Busy => {
                let idle_for = self.idle_since.take().map(|since| now.since(since));
                let soon = idle_for.filter(|idle_for| *idle_for < BACK_WITHIN + ON_ITS_WAY);
                self.perhaps = self.perhaps.max(soon);
                let seen = soon.filter(|idle_for| self.worked && *idle_for + ON_ITS_WAY < BACK_WITHIN);
                self.surely = self.surely.max(seen);
                self.seen += u64::from(seen.is_some());
                self.worked |= !foresees_idle;
            }
            Verdict::Unknown => self.out_of_sight(),
        }
    }

    pub(super) fn out_of_sight(&mut self) {
        (self.worked, self.idle_since) = (false, None);
    }

    /// Its outlet says whether it is on; another word than before begins everything anew. While it says off, whatever
    /// is drawn there is no job of this machine, so nothing is learned from it.
    pub fn outlet_says(&mut self, now: Moment, switch: Switch) {
        if self.outlet != Some(switch) {
            self.outlet = Some(switch);
            self.worked = false;
            self.idle_since = self.idle_since.filter(|_| switch == Switch::On).map(|_| now);
        }
    }

    /// As its outlet was last heard to say.
    pub(super) fn outlet(&self) -> Option<Switch> {
        self.outlet
    }

    /// The program has ended; what it had learned it must know again.
    pub(super) fn restarted(&mut self) {
        self.outlet = None;
        self.out_of_sight();
    }

    /// Whether an idle machine may still be held, by something that has to settle first.
    pub(super) fn may_hold(&self, now: Moment, settles: Span) -> bool {
        self.idle_since.is_none_or(|since| now.since(since) <= self.hold_max() + settles + ON_ITS_WAY)
    }

    /// A quarter more than the longest such silence, a minute at least, in whole minutes.
    pub fn hold_max(&self) -> Span {
        let Some(longest) = self.perhaps else { return Span::ZERO };
        let with_margin = longest + ON_ITS_WAY + Span(longest.0 / 4).max(Span::secs(60));
        Span(with_margin.0.div_ceil(60_000) * 60_000)
    }

    /// Idle after work for no longer than when it went back to work.
    pub(super) fn might_go_on(&self, now: Moment) -> Option<String> {
        let (longest, since) = self.surely.zip(self.idle_since).filter(|_| self.worked)?;
        let idle_for = now.since(since);
        (idle_for < longest)
            .then(|| format!("it has been idle for {idle_for} and went back to work after {longest} before"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(secs: u64) -> Moment {
        Moment(secs * 1_000)
    }

    #[test]
    fn a_hold_is_allowed_after_a_resumption_and_demanded_for_another_silence_like_it() {
        let mut seen = Resumption::default();
        seen.said(at(0), Verdict::Busy, false);
        seen.said(at(100), Verdict::Idle, false);
        assert!(!seen.may_hold(at(104), Span::ZERO), "nothing has happened yet");
        seen.said(at(340), Verdict::Busy, false);
        seen.said(at(500), Verdict::Idle, false);
        assert!(seen.may_hold(at(600), Span::ZERO) && seen.might_go_on(at(739)).is_some());
        assert!(seen.might_go_on(at(740)).is_none(), "it has outlasted that silence");
        assert!(!seen.may_hold(at(1_000), Span::ZERO), "five minutes and a little more");
    }

    #[test]
    fn another_job_and_what_was_out_of_sight_demand_nothing() {
        let mut seen = Resumption::default();
        seen.said(at(0), Verdict::Idle, false);
        seen.said(at(60), Verdict::Busy, false);
        seen.said(at(100), Verdict::Idle, false);
        seen.said(at(2_000), Verdict::Busy, false);
        seen.said(at(2_100), Verdict::Idle, false);
        seen.outlet_says(at(2_110), Switch::Off);
        seen.outlet_says(at(2_115), Switch::On);
        seen.said(at(2_120), Verdict::Busy, false);
        seen.said(at(2_200), Verdict::Idle, false);
        assert!(seen.might_go_on(at(2_201)).is_none());
    }
}
