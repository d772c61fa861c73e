//! Keeping on: somebody knows better than the meters. A kiln with a delayed start and a print that is paused over night
//! look idle, and whoever uses them says until when they are not to be taken for it.
//!
//! It counts as busy, and so it holds and warns like any job: a force and an emergency pass, and end it.

use alloc::vec::Vec;

use super::announcement::Announcement;
use super::effect::{Effect, KeptOn, Reason};
use super::input::{Request, Switch};
use super::machine::Guard;
use super::policy::Policy;
use crate::time::{Moment, Span};

impl Guard {
    pub(super) fn is_kept_on(&self, now: Moment) -> bool {
        self.kept_on.is_some_and(|kept| now < kept.until)
    }

    pub(super) fn keep_on(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        match self.heading_for() {
            Some(Switch::Off) if self.pending.is_some() => {
                return self.answer(request, Reason::AlreadySwitching, out);
            }
            Some(Switch::Off) => return self.answer(request, Reason::AlreadyOff, out),
            Some(Switch::On) | None => {}
        }
        let stays_for = request.keep_for.unwrap_or(self.policy.keep_on_for).min(Policy::KEEP_ON_MAX);
        let wanted = KeptOn { by: request.input, until: now + stays_for };
        // Nobody cuts short what somebody else has asked for.
        let others = self.kept_on.filter(|kept| kept.by != wanted.by && kept.until > wanted.until);
        let kept = others.unwrap_or(wanted);
        self.kept_on = Some(kept);
        self.note_clearness(now);
        self.keep(out);
        self.answer(request, Reason::KeepingOn, out);
        let stays_for: Span = kept.until.since(now);
        out.push(Effect::Announce(Announcement::KeptOn { input: kept.by, stays_for }));
    }

    pub(super) fn cancel_keeping_on(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        self.judge_by_itself_again(now, out);
        out.push(Effect::Announce(Announcement::KeepOnOver { input: Some(request.input) }));
    }

    pub(super) fn end_keeping_on(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if self.kept_on.is_some_and(|kept| kept.until <= now) {
            self.judge_by_itself_again(now, out);
            out.push(Effect::Announce(Announcement::KeepOnOver { input: None }));
        }
    }

    /// Whoever cuts power on purpose has overruled it, and is told of nothing else.
    pub(super) fn overrule_keeping_on(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if self.kept_on.is_some() {
            self.judge_by_itself_again(now, out);
        }
    }

    /// It looks idle since long ago, and yet nobody is to find it switched off at the stroke of the hour.
    fn judge_by_itself_again(&mut self, now: Moment, out: &mut Vec<Effect>) {
        self.kept_on = None;
        self.idle_from = now;
        self.keep(out);
    }
}
