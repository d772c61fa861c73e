//! The same guard seen from another moment, with everything too old to matter made equally old: two guards that will
//! behave alike become equal. For the model checker, whose states would never repeat otherwise; the guard itself does
//! not need it.

use super::deferral::{ActiveDeferral, Phase};
use super::effect::{Deferral, IncidentKind, KeptOn};
use super::input::Permissive;
use super::machine::Guard;
use super::orders::{Pending, Sent};
use super::waiting::Waiting;
use crate::time::{Moment, Span};

/// From where to where a guard is moved.
#[derive(Clone, Copy)]
pub(super) struct Move {
    now: Moment,
    origin: Moment,
}

impl Move {
    pub(super) fn now(self) -> Moment {
        self.now
    }

    /// A moment gone by, of which nobody asks whether it is longer ago than this.
    pub(super) fn past(self, at: Moment, longest: Span) -> Moment {
        self.origin - Span(self.now.since(at).0.min(longest.0.saturating_add(1)))
    }

    /// A moment to come; one that has passed is as good as now.
    pub(super) fn ahead(self, at: Moment) -> Moment {
        if at == Moment(u64::MAX) { at } else { self.origin + at.since(self.now) }
    }
}

impl Guard {
    /// As it would be at `origin` instead of `now`, under these rules. No message may be later than `late`.
    #[doc(hidden)]
    pub fn seen_from(&self, now: Moment, origin: Moment, late: Span) -> Guard {
        let to = Move { now, origin };
        let policy = &self.policy;
        let wait = policy.refresh_wait.max(policy.assess_wait);
        let idle = policy.forgotten_after.unwrap_or_default().max(policy.settle_for);
        let mut guard = self.clone();
        guard.outlet.at = to.past(self.outlet.at, late);
        guard.draw.at = to.past(self.draw.at, late);
        guard.draw.off_at = self.draw.off_at.map(|at| to.past(at, policy.residual_after.max(late)));
        guard.permissive = Permissive {
            assessed_at: to.past(self.permissive.assessed_at, late),
            as_of: if policy.can_refresh || self.waits_for_newer() {
                to.past(self.permissive.as_of, policy.fresh_within.max(wait))
            } else {
                origin
            },
            valid_until: to.ahead(self.permissive.valid_until),
            unseen_since: self.permissive.unseen_since.map(|at| to.past(at, wait)),
            ..self.permissive
        };
        guard.clear_since = self.clear_since.map(|at| to.past(at, idle));
        guard.idle_from = policy.forgotten_after.map_or(origin, |_| to.past(self.idle_from, idle));
        guard.windows.shift(to, policy.force_not_before, policy.windows_counted_within);
        guard.active_deferral = self.active_deferral.map(|active| moved_deferral(active, to, wait, self));
        guard.kept_on = self.kept_on.map(|kept| KeptOn { until: to.ahead(kept.until), ..kept });
        let at_resend = |pending: Pending| Pending { resend_at: to.ahead(pending.resend_at), ..pending };
        guard.pending = self.pending.map(at_resend);
        guard.sent = self.moved_sent(to);
        guard.waiting = self.waiting.iter().map(|waiting| moved_waiting(*waiting, to, wait)).collect();
        guard.repeats.shift(to, policy.repeat_guard, policy.stuck_after);
        guard
    }

    fn waits_for_newer(&self) -> bool {
        let looking = self.active_deferral.is_some_and(|active| {
            matches!(active.phase, Phase::Looking { ask: true, .. } | Phase::Unanswered { .. })
        });
        looking || self.waiting.iter().any(|waiting| waiting.newer_than.is_some())
    }

    /// What was sent long ago only matters while its failure is not cured, and then only the last of it.
    fn moved_sent(&self, to: Move) -> Sent {
        let longest = Span(self.policy.confirm_within.0.saturating_mul(2));
        let unsettled = self.pending.is_some() || self.incidents.is_open(IncidentKind::NotConfirmed);
        let last = self.sent.on.max(self.sent.off);
        let shift = |at: Moment| {
            let matters = to.now.since(at) <= longest || (unsettled && Some(at) == last);
            matters.then(|| to.past(at, longest))
        };
        Sent { on: self.sent.on.and_then(shift), off: self.sent.off.and_then(shift) }
    }
}

fn moved_deferral(active: ActiveDeferral, to: Move, wait: Span, guard: &Guard) -> ActiveDeferral {
    let deferral = Deferral { expires_at: to.ahead(active.deferral.expires_at), ..active.deferral };
    let phase = match active.phase {
        Phase::Waiting => Phase::Waiting,
        Phase::Notice { acts_at } => Phase::Notice { acts_at: to.ahead(acts_at) },
        Phase::Looking { since, ask, until } => {
            Phase::Looking { since: to.past(since, wait), ask, until: to.ahead(until) }
        }
        Phase::Unanswered { asked, fresh_since } => Phase::Unanswered {
            asked: to.past(asked, guard.ask_pause()),
            fresh_since: fresh_since.map(|at| to.past(at, guard.steady_for())),
        },
    };
    ActiveDeferral { deferral, phase }
}

fn moved_waiting(waiting: Waiting, to: Move, wait: Span) -> Waiting {
    Waiting {
        since: to.past(waiting.since, wait),
        newer_than: waiting.newer_than.map(|at| to.past(at, wait)),
        deadline: to.ahead(waiting.deadline),
        ..waiting
    }
}
