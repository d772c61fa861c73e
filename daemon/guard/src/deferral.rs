//! Deferral: a standing wish to switch off as soon as the machine is idle, and the machine's own wish to be off
//! after it has been idle for long. Both give notice first, and both can be cancelled.

use alloc::vec::Vec;

use super::announcement::Announcement;
use super::effect::{Cause, Deferral, Effect, Reason};
use super::input::{InputId, Request, Switch};
use super::machine::Guard;
use super::policy::Control;
use crate::time::{Moment, Span};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ActiveDeferral {
    pub deferral: Deferral,
    pub phase: Phase,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Phase {
    /// Until the machine has been idle for the settling time.
    Waiting,
    /// People have been told.
    Notice { acts_at: Moment },
    /// The notice is over; one last look at what has come in by `since`, or, if new readings were asked for, at
    /// what has been measured after it.
    Looking { since: Moment, ask: bool, until: Moment },
    /// The outlet did not give new readings when asked. It is asked again from time to time, and people are left
    /// alone, until it answers or its readings have stayed fresh without being asked for.
    Unanswered { asked: Moment, fresh_since: Option<Moment> },
}

impl ActiveDeferral {
    /// After a restart nobody remembers the notice, so it is given again.
    pub(super) fn restored(deferral: Deferral) -> ActiveDeferral {
        ActiveDeferral { deferral, phase: Phase::Waiting }
    }
}

/// What becomes of a deferral at one moment.
enum Turn {
    Stay,
    Expire,
    BusyAgain,
    Unanswered,
    AskAgain,
    GiveNotice,
    LookAgain,
    Act,
}

impl Guard {
    pub(super) fn off_once_idle(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        match self.heading_for() {
            Some(Switch::Off) if self.pending.is_some() => {
                self.answer(request, Reason::AlreadySwitching, out)
            }
            Some(Switch::Off) => self.answer(request, Reason::AlreadyOff, out),
            Some(Switch::On) | None => match self.policy.control.forbids_off() {
                Some(reason) => self.refuse(request, reason, out),
                None => self.defer(now, request, out),
            },
        }
    }

    /// A second wish renews the first: the later one says how long it is still meant.
    pub(super) fn defer(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        let deferral = Deferral { by: request.input, expires_at: now + self.policy.deferral_max };
        let phase = self.active_deferral.map_or(Phase::Waiting, |active| active.phase);
        self.active_deferral = Some(ActiveDeferral { deferral, phase });
        self.keep(out);
        if self.acts_without_notice(now) {
            self.answer(request, Reason::MachineIdle, out);
            return self.act_on_deferral(now, out);
        }
        if matches!(phase, Phase::Waiting) && self.is_settled_idle(now) {
            self.answer(request, Reason::NoticeRunning, out);
            return self.give_notice(now, out);
        }
        match phase {
            Phase::Waiting | Phase::Unanswered { .. } => {
                self.answer(request, Reason::UntilIdle, out);
                out.push(Effect::Announce(Announcement::Deferred { input: request.input }));
            }
            Phase::Notice { .. } | Phase::Looking { .. } => self.answer(request, Reason::NoticeRunning, out),
        }
    }

    fn acts_without_notice(&self, now: Moment) -> bool {
        self.policy.notice == Span::ZERO
            && self.is_settled_idle(now)
            && self.is_clear(now, now)
            && !self.wants_fresh(now)
    }

    pub(super) fn cancel(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        let kept_on = self.is_kept_on(now);
        if kept_on && request.rights.may_keep_on {
            self.cancel_keeping_on(now, request, out);
            if self.active_deferral.is_none() {
                return self.answer(request, Reason::KeepOnCancelled, out);
            }
        }
        if self.active_deferral.is_some() {
            self.cancel_deferral(now, Some(request.input), out);
            return self.answer(request, Reason::DeferralCancelled, out);
        }
        let reason = if kept_on { Reason::MayNotKeepOn } else { Reason::NothingToCancel };
        self.answer(request, reason, out);
    }

    pub(super) fn cancel_deferral(&mut self, now: Moment, input: Option<InputId>, out: &mut Vec<Effect>) {
        self.drop_deferral(out);
        // Whoever cancels wants the machine for a while; its idle time starts anew.
        self.idle_from = now;
        out.push(Effect::Announce(Announcement::DeferralCancelled { input }));
    }

    /// The outlet is off already, so there is nothing left to wish for.
    pub(super) fn moot_deferral(&mut self, out: &mut Vec<Effect>) {
        if self.active_deferral.is_some() {
            self.drop_deferral(out);
            out.push(Effect::Announce(Announcement::DeferralCancelled { input: None }));
        }
    }

    /// The rules have come to say that the machine is never switched off, whoever wished it before.
    pub(super) fn drop_forbidden_deferral(&mut self, out: &mut Vec<Effect>) {
        if self.policy.control.forbids_off().is_some() {
            self.moot_deferral(out);
        }
    }

    pub(super) fn drop_deferral(&mut self, out: &mut Vec<Effect>) {
        if let Some(active) = self.active_deferral.take()
            && active.deferral.by != InputId::IDLE_TIMER
        {
            self.keep(out);
        }
    }

    pub(super) fn advance_deferral(&mut self, now: Moment, out: &mut Vec<Effect>) {
        // Each turn leads towards a state with a deadline ahead, so a few turns are the most there can be.
        for _ in 0..4 {
            let Some(active) = self.active_deferral else { return };
            match self.turn(now, &active) {
                Turn::Stay => return,
                Turn::Expire => {
                    self.drop_deferral(out);
                    out.push(Effect::Announce(Announcement::DeferralExpired));
                }
                Turn::BusyAgain => self.wait_again(now, &active, out),
                Turn::Unanswered => self.leave_unanswered(now, out),
                Turn::AskAgain => self.ask_again(now, out),
                Turn::GiveNotice => self.give_notice(now, out),
                Turn::LookAgain => self.look_again(now, out),
                Turn::Act => self.act_on_deferral(now, out),
            }
        }
    }

    fn turn(&self, now: Moment, active: &ActiveDeferral) -> Turn {
        if now >= active.deferral.expires_at {
            return Turn::Expire;
        }
        let idle = self.clear_since.is_some();
        match active.phase {
            Phase::Waiting if self.is_settled_idle(now) => Turn::GiveNotice,
            Phase::Waiting => Turn::Stay,
            Phase::Notice { .. } | Phase::Looking { .. } | Phase::Unanswered { .. } if !idle => {
                Turn::BusyAgain
            }
            Phase::Notice { acts_at } if now < acts_at => Turn::Stay,
            // The program was stopped when the notice ended; what the machine did meanwhile may still be on its way.
            Phase::Notice { acts_at } if now.since(acts_at) > self.policy.request_max_age => Turn::GiveNotice,
            Phase::Notice { .. } => Turn::LookAgain,
            Phase::Looking { since, ask: true, .. } if self.has_answered(now, since) => Turn::Act,
            Phase::Looking { since, ask: false, .. } if self.permissive.covers(since) => Turn::Act,
            Phase::Looking { until, ask: true, .. } if now >= until => Turn::Unanswered,
            Phase::Looking { until, ask: false, .. } if now >= until => Turn::BusyAgain,
            Phase::Looking { .. } => Turn::Stay,
            Phase::Unanswered { asked, .. }
                if now.since(asked) <= self.policy.refresh_wait && self.has_answered(now, asked) =>
            {
                Turn::GiveNotice
            }
            Phase::Unanswered { fresh_since: Some(since), .. } if now >= since + self.steady_for() => {
                Turn::GiveNotice
            }
            Phase::Unanswered { asked, .. } if now >= asked + self.ask_pause() => Turn::AskAgain,
            Phase::Unanswered { .. } => Turn::Stay,
        }
    }

    /// Readings that stay fresh for that long will be fresh when the notice ends.
    pub(super) fn steady_for(&self) -> Span {
        self.policy.notice.max(self.policy.settle_for)
    }

    /// So long that answers which come too late do not look like a meter that reports by itself.
    pub(super) fn ask_pause(&self) -> Span {
        self.policy.fresh_within + self.policy.refresh_wait + self.steady_for()
    }

    /// Without a link nobody would hear the notice, and an order kept for later would be an old one.
    fn is_settled_idle(&self, now: Moment) -> bool {
        self.link_up && self.clear_since.is_some_and(|since| now >= since + self.policy.settle_for)
    }

    fn give_notice(&mut self, now: Moment, out: &mut Vec<Effect>) {
        let notice = self.policy.notice;
        let Some(active) = &mut self.active_deferral else { return };
        active.phase = Phase::Notice { acts_at: now + notice };
        if notice > Span::ZERO {
            let input = active.deferral.by;
            out.push(Effect::Announce(Announcement::DeferralNotice { input, acts_in: notice }));
        }
    }

    fn look_again(&mut self, now: Moment, out: &mut Vec<Effect>) {
        let ask = self.wants_fresh(now);
        let wait = if ask { self.policy.refresh_wait } else { self.policy.assess_wait };
        if let Some(active) = &mut self.active_deferral {
            active.phase = Phase::Looking { since: now, ask, until: now + wait };
        }
        if ask {
            out.push(Effect::Refresh);
        }
    }

    /// Said once; the notice that comes before anything happens will be the next word.
    fn leave_unanswered(&mut self, now: Moment, out: &mut Vec<Effect>) {
        out.push(Effect::Announce(Announcement::DeferralBusyAgain));
        if let Some(ActiveDeferral { phase, .. }) = &mut self.active_deferral
            && let Phase::Looking { since, .. } = *phase
        {
            *phase = Phase::Unanswered { asked: since, fresh_since: None };
        }
        self.note_freshness(now);
    }

    fn ask_again(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if let Some(ActiveDeferral { phase: Phase::Unanswered { asked, .. }, .. }) = &mut self.active_deferral
        {
            *asked = now;
            out.push(Effect::Refresh);
        }
    }

    /// Since when the readings have been fresh without a break, while that is what a deferral waits for.
    pub(super) fn note_freshness(&mut self, now: Moment) {
        let fresh = !self.wants_fresh(now) && self.permissive.covers(now);
        if let Some(ActiveDeferral { phase: Phase::Unanswered { fresh_since, .. }, .. }) =
            &mut self.active_deferral
        {
            *fresh_since = fresh_since.or(Some(now)).filter(|_| fresh);
        }
    }

    fn wait_again(&mut self, now: Moment, active: &ActiveDeferral, out: &mut Vec<Effect>) {
        // If only the last look failed, idleness has to settle once more before the next notice.
        self.clear_since = self.clear_since.map(|_| now);
        out.push(Effect::Announce(Announcement::DeferralBusyAgain));
        if active.deferral.by == InputId::IDLE_TIMER {
            // The machine's own wish lapses; it will be idle for long again, or not.
            self.idle_from = now;
            self.active_deferral = None;
        } else {
            self.active_deferral = Some(ActiveDeferral { phase: Phase::Waiting, ..*active });
        }
    }

    /// The link is gone, and with it those who were to be warned. Nothing is said, since nobody would hear it.
    pub(super) fn withdraw_notice(&mut self, now: Moment) {
        match &mut self.active_deferral {
            Some(active) if active.deferral.by == InputId::IDLE_TIMER => {
                self.idle_from = now;
                self.active_deferral = None;
            }
            Some(active) => active.phase = Phase::Waiting,
            None => {}
        }
    }

    fn act_on_deferral(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if let Some(active) = self.active_deferral {
            out.push(Effect::DeferralActed(active.deferral));
            self.switch(now, Switch::Off, Cause::Plain, out);
        }
    }

    /// A machine that has been idle for long asks for off by itself, with the same notice as anyone.
    pub(super) fn raise_idle_off(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if self.idle_off_deadline().is_none_or(|due| now < due) {
            return;
        }
        let deferral = Deferral { by: InputId::IDLE_TIMER, expires_at: now + self.policy.deferral_max };
        self.active_deferral = Some(ActiveDeferral::restored(deferral));
        self.give_notice(now, out);
        self.advance_deferral(now, out);
    }

    pub(super) fn idle_off_deadline(&self) -> Option<Moment> {
        let may_ask = self.outlet.state == Some(Switch::On)
            && self.pending.is_none()
            && self.active_deferral.is_none()
            && self.policy.control == Control::Full
            && self.link_up;
        let since = self.clear_since.filter(|_| may_ask)?;
        Some(since.max(self.idle_from) + self.policy.forgotten_after?)
    }

    pub(super) fn deferral_deadline(&self) -> Option<Moment> {
        let active = self.active_deferral?;
        let phase = match active.phase {
            Phase::Waiting if !self.link_up => None,
            Phase::Waiting => self.clear_since.map(|since| since + self.policy.settle_for),
            Phase::Notice { acts_at } => Some(acts_at.min(self.permissive.valid_until)),
            Phase::Looking { until, .. } => Some(until.min(self.permissive.valid_until)),
            Phase::Unanswered { asked, fresh_since } => {
                let steady = fresh_since.map(|since| since + self.steady_for());
                let next = steady.into_iter().fold(asked + self.ask_pause(), Moment::min);
                Some(next.min(self.permissive.valid_until))
            }
        };
        // While the notice runs, readings that go stale end it.
        Some(phase.map_or(active.deferral.expires_at, |at| at.min(active.deferral.expires_at)))
    }
}
