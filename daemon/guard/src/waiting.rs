//! Requests that wait, for a second at most, until the readings they depend on are fresh. What comes of them is decided
//! in [`requests`](super::requests).

use alloc::vec::Vec;

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

/// Whether an off can be decided now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Readiness {
    /// Whether the machine is clear, as far as is known.
    Decide { clear: bool },
    /// Better readings are to be had in a moment.
    Wait(Waiting),
}

impl Guard {
    /// What an off has to wait for. `ask`: for fresh readings in any case.
    pub(super) fn readiness(&self, now: Moment, request: Request, ask: bool) -> Readiness {
        let waiting = if ask || self.wants_fresh(now) {
            let deadline = now + self.policy.refresh_wait;
            Waiting { request, since: now, newer_than: Some(now), deadline }
        } else if !self.permissive.covers(now) {
            Waiting { request, since: now, newer_than: None, deadline: now + self.policy.assess_wait }
        } else {
            return Readiness::Decide { clear: self.is_clear(now, now) };
        };
        if waiting.deadline == now || self.waiting.is_full() {
            return Readiness::Decide { clear: false };
        }
        Readiness::Wait(waiting)
    }

    /// There is room, as [`Guard::readiness`] has said.
    pub(super) fn let_wait(&mut self, waiting: Waiting, out: &mut Vec<Effect>) {
        self.waiting.push(waiting);
        if waiting.newer_than.is_some() {
            out.push(Effect::Refresh);
        }
    }

    /// Takes the first that no longer has to wait, and whether the machine is clear.
    pub(super) fn take_ready(&mut self, now: Moment) -> Option<(Request, bool)> {
        let index = self.waiting.iter().position(|waiting| self.is_ready(now, waiting))?;
        let waiting = self.waiting.remove(index);
        Some((waiting.request, self.is_clear(now, waiting.since)))
    }

    fn is_ready(&self, now: Moment, waiting: &Waiting) -> bool {
        match waiting.newer_than {
            Some(asked) => self.has_answered(now, asked),
            None => self.permissive.covers(waiting.since),
        }
    }

    /// Takes the first whose readings did not come in time. That is a doubt, and a doubt counts as busy.
    pub(super) fn take_overdue(&mut self, now: Moment) -> Option<Request> {
        let index = self.waiting.iter().position(|waiting| waiting.deadline <= now)?;
        Some(self.waiting.remove(index).request)
    }
}
