//! Requests that wait, for a second at most, until the readings they depend on are fresh.

use super::effect::Effect;
use super::input::Request;
use super::machine::Guard;
use crate::time::Moment;

/// More offs than this waiting at once are decided on the spot, which means held.
pub(super) const WAITING_MAX: usize = 4;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct Waiting {
    pub(super) request: Request,
    pub(super) since: Moment,
    /// Readings must be at least this new, where fresh ones were asked for.
    pub(super) newer_than: Option<Moment>,
    pub(super) deadline: Moment,
}

impl Guard {
    /// Decides an off at once where the readings allow it, else lets it wait for better ones.
    pub(super) fn off_when_known(&mut self, now: Moment, request: Request, ask: bool, out: &mut Vec<Effect>) {
        let waiting = if ask || self.wants_fresh(now) {
            let deadline = now + self.policy.refresh_wait;
            Waiting { request, since: now, newer_than: Some(now), deadline }
        } else if !self.permissive.covers(now) {
            Waiting { request, since: now, newer_than: None, deadline: now + self.policy.assess_wait }
        } else {
            self.decide_off(now, &request, self.is_clear(now, now), out);
            return;
        };
        if waiting.deadline == now || self.waiting.try_push(waiting).is_err() {
            self.decide_off(now, &request, false, out);
            return;
        }
        if waiting.newer_than.is_some() {
            out.push(Effect::Refresh);
        }
    }

    /// Decides what no longer has to wait, in the order in which it came.
    pub(super) fn decide_ready(&mut self, now: Moment, out: &mut Vec<Effect>) {
        while let Some(index) = self.waiting.iter().position(|waiting| self.is_ready(now, waiting)) {
            let waiting = self.waiting.remove(index);
            self.decide_off(now, &waiting.request, self.is_clear(now, waiting.since), out);
        }
    }

    fn is_ready(&self, now: Moment, waiting: &Waiting) -> bool {
        match waiting.newer_than {
            Some(asked) => self.has_answered(now, asked),
            None => self.permissive.covers(waiting.since),
        }
    }

    /// The readings did not come in time. That is a doubt, and a doubt counts as busy.
    pub(super) fn decide_overdue(&mut self, now: Moment, out: &mut Vec<Effect>) {
        while let Some(index) = self.waiting.iter().position(|waiting| waiting.deadline <= now) {
            let waiting = self.waiting.remove(index);
            self.decide_off(now, &waiting.request, false, out);
        }
    }

    /// Something happened that answers every waiting off in the same way.
    pub(super) fn answer_waiting(&mut self, reason: super::effect::Reason, out: &mut Vec<Effect>) {
        for waiting in self.waiting.take() {
            self.answer(&waiting.request, reason, out);
        }
    }
}
