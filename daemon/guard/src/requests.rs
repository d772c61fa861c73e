//! The guard's answers, request by request. Every path through this file gives exactly one answer, or puts the
//! request among the waiting, where it will get exactly one.

use alloc::vec::Vec;

use super::announcement::Announcement;
use super::effect::{Cause, Confirm, Effect, Reason};
use super::input::{PermissiveState, Request, RequestKind, Switch};
use super::locks::{Lockout, Locks};
use super::machine::Guard;
use super::override_window::WindowAnswer;
use super::place::Place;
use super::policy::{Control, WhenBusy};
use super::repeats::Appearance;
use super::waiting::Readiness;
use crate::time::{Moment, Span};

impl Guard {
    pub(super) fn request(&mut self, now: Moment, request: Request, out: &mut Vec<Effect>) {
        // Ahead of everything that could stand in its way.
        if request.kind == RequestKind::EmergencyOff {
            return self.emergency_off(now, &request, out);
        }
        if let Some(reason) = self.is_old(&request) {
            self.remember_old_force(now, &request, reason, out);
            return self.answer(&request, reason, out);
        }
        // Before it takes a place among the gestures, which are for those who may.
        if let Some(reason) = request.kind.denied_by(request.rights) {
            return self.refuse(&request, reason, out);
        }
        if let Some(reason) = self.is_repeated(now, &request, out) {
            return self.answer(&request, reason, out);
        }
        if self.policy.control == Control::Watched && !self.switches_nothing(now, request.kind) {
            return self.refuse(&request, Reason::OnlyWatched, out);
        }
        match request.kind {
            RequestKind::On => self.on(now, &request, out),
            RequestKind::Off => self.off(now, request, false, out),
            RequestKind::Flip => self.flip(now, request, out),
            RequestKind::ForceOff => self.force_off(now, &request, out),
            RequestKind::OffOnceIdle => self.off_once_idle(now, &request, out),
            RequestKind::Cancel => self.cancel(now, &request, out),
            RequestKind::KeepOn => self.keep_on(now, &request, out),
            RequestKind::Lock => self.lock(&request, out),
            RequestKind::Unlock => self.unlock(&request, out),
            RequestKind::Serviced => self.answer(&request, Reason::Serviced, out),
            RequestKind::EmergencyOff => unreachable!("emergencies are answered first"),
        }
    }

    /// It can be said of a machine that is only watched: that it was serviced, or that something no longer holds which
    /// was said while it could still be switched.
    fn switches_nothing(&self, now: Moment, kind: RequestKind) -> bool {
        match kind {
            RequestKind::Serviced => true,
            RequestKind::Unlock => !self.locks.is_empty(),
            RequestKind::Cancel => self.is_kept_on(now),
            RequestKind::On
            | RequestKind::Off
            | RequestKind::Flip
            | RequestKind::ForceOff
            | RequestKind::OffOnceIdle
            | RequestKind::KeepOn
            | RequestKind::Lock
            | RequestKind::EmergencyOff => false,
        }
    }

    /// Nobody is behind a stored message, or an old one.
    fn is_old(&self, request: &Request) -> Option<Reason> {
        if request.arrival.retained {
            return Some(Reason::Retained);
        }
        (request.arrival.age > self.policy.request_max_age).then_some(Reason::TooOld)
    }

    /// It forces nothing any more, but the next one of the same gesture is no second gesture: else a crate that leans
    /// on the button would force once the line had stood still for longer than the repeat guard.
    fn remember_old_force(&mut self, now: Moment, request: &Request, why: Reason, out: &mut Vec<Effect>) {
        let is_force = request.kind == RequestKind::ForceOff && request.rights.may_force;
        if is_force && why == Reason::TooOld {
            self.is_repeated(now, request, out);
        }
    }

    /// The echo of a gesture already seen is none.
    fn is_repeated(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) -> Option<Reason> {
        let (guard, stuck_after) = (self.policy.repeat_guard, self.policy.stuck_after);
        match self.repeats.note(now, request, guard, stuck_after) {
            Appearance::New => None,
            Appearance::Repeat => Some(Reason::Repeated),
            Appearance::Restless => {
                self.tell_to_let_go(request, out);
                Some(Reason::Repeated)
            }
            Appearance::TooMany => Some(Reason::TooMany),
            Appearance::Stuck => {
                out.push(Effect::Announce(Announcement::StuckInput { input: request.input }));
                Some(Reason::Repeated)
            }
        }
    }

    /// Each of these would be the second gesture, if only it came later. A crate that leans on the button hears it,
    /// too, and goes on leaning: it never forces.
    fn tell_to_let_go(&self, request: &Request, out: &mut Vec<Effect>) {
        let under_way = self.pending.is_some_and(|pending| pending.is_unconditional_off());
        if request.kind == RequestKind::ForceOff && request.rights.may_force && !under_way {
            let (input, pause) = (request.input, self.policy.repeat_guard);
            out.push(Effect::Announce(Announcement::LetGo { input, pause }));
        }
    }

    fn emergency_off(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        if !request.rights.emergency {
            return self.refuse(request, Reason::MayNotEmergency, out);
        }
        // An old press is still somebody's press. A stored one would cut power at every reconnect.
        if request.arrival.retained {
            out.push(Effect::Announce(Announcement::EmergencyIgnored { input: request.input }));
            return self.answer(request, Reason::Retained, out);
        }
        // Whoever pressed so long ago has been helped or has gone, and the machine may be in another job.
        if request.arrival.age > self.policy.emergency_max_age {
            out.push(Effect::Announce(Announcement::EmergencyTooOld { input: request.input }));
            return self.answer(request, Reason::TooOld, out);
        }
        // Nothing is there that would hear an order. A lock would only pretend that it was obeyed.
        if self.policy.control == Control::Watched {
            return self.refuse(request, Reason::OnlyWatched, out);
        }
        // The order goes first: nothing that follows may delay it.
        self.switch(now, Switch::Off, Cause::Emergency, out);
        self.locks.add(Lockout::emergency(request.input));
        self.keep(out);
        self.answer(request, Reason::Emergency, out);
        out.push(Effect::Announce(Announcement::EmergencyOff { input: request.input }));
    }

    fn on(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        // Whatever comes of it, they have changed their mind; everybody else's way out stays open.
        self.windows.close_own(now, request);
        if self.pushed.is_some() {
            return self.refuse(request, Reason::ContactPushed, out);
        }
        if !self.locks.is_empty() {
            return self.refuse(request, Reason::Lockout, out);
        }
        match self.heading_for() {
            Some(Switch::On) => self.stay_on(now, request, out),
            Some(Switch::Off) | None => self.switch_on(now, request, out),
        }
    }

    /// The machine is on, and somebody wants it on: whatever was about to switch it off by itself is called off.
    fn stay_on(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        self.answer_waiting(Reason::Superseded, out);
        let reason = if self.active_deferral.is_some() {
            self.cancel_deferral(now, Some(request.input), out);
            Reason::DeferralCancelled
        } else if self.pending.is_some() {
            Reason::AlreadySwitching
        } else {
            Reason::AlreadyOn
        };
        self.answer(request, reason, out);
    }

    fn switch_on(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        if let Some(reason) = self.on_forbidden(Some(request.rights.place)) {
            return self.refuse(request, reason, out);
        }
        self.answer_waiting(Reason::Superseded, out);
        if self.active_deferral.is_some() {
            self.cancel_deferral(now, Some(request.input), out);
        }
        self.answer(request, Reason::SwitchingOn, out);
        self.switch_from(now, Switch::On, Cause::Plain, Some(request.rights.place), out);
    }

    pub(super) fn on_forbidden(&self, from: Option<Place>) -> Option<Reason> {
        if self.policy.control == Control::Watched {
            Some(Reason::OnlyWatched)
        } else if self.pushed.is_some() {
            Some(Reason::ContactPushed)
        } else if !self.locks.is_empty() {
            Some(Reason::Lockout)
        } else if from.is_some_and(|place| !self.policy.on_from.contains(place)) {
            Some(Reason::OnNotFromHere)
        } else if self.policy.on_needs_permit && !self.on_permit {
            Some(Reason::OnPermitMissing)
        } else if !self.circuit_room {
            Some(Reason::CircuitFull)
        } else {
            None
        }
    }

    fn flip(&mut self, now: Moment, request: Request, out: &mut Vec<Effect>) {
        match self.heading_for() {
            Some(Switch::Off) if self.pending.is_none() => self.on(now, &request, out),
            Some(Switch::On | Switch::Off) => self.off(now, request, false, out),
            // Not knowing which way to flip, the careful direction is the guarded one.
            None => self.off(now, request, self.policy.can_refresh, out),
        }
    }

    fn off(&mut self, now: Moment, request: Request, ask: bool, out: &mut Vec<Effect>) {
        match self.heading_for() {
            Some(Switch::Off) if self.pending.is_some() => {
                self.answer(&request, Reason::AlreadySwitching, out)
            }
            Some(Switch::Off) => self.answer(&request, Reason::AlreadyOff, out),
            Some(Switch::On) | None => self.off_of_one_that_is_on(now, request, ask, out),
        }
    }

    fn off_of_one_that_is_on(&mut self, now: Moment, request: Request, ask: bool, out: &mut Vec<Effect>) {
        if let Some(reason) = self.policy.control.forbids_off() {
            return self.refuse(&request, reason, out);
        }
        match self.readiness(now, request, ask) {
            Readiness::Decide { clear } => self.decide_off(now, &request, clear, out),
            Readiness::Wait(waiting) => self.let_wait(waiting, out),
        }
    }

    /// Decides what no longer has to wait, in the order in which it came.
    pub(super) fn decide_ready(&mut self, now: Moment, out: &mut Vec<Effect>) {
        while let Some((request, clear)) = self.take_ready(now) {
            self.decide_off(now, &request, clear, out);
        }
    }

    pub(super) fn decide_overdue(&mut self, now: Moment, out: &mut Vec<Effect>) {
        while let Some(request) = self.take_overdue(now) {
            self.decide_off(now, &request, false, out);
        }
    }

    /// Something happened that answers every waiting off in the same way.
    pub(super) fn answer_waiting(&mut self, reason: Reason, out: &mut Vec<Effect>) {
        for waiting in self.waiting.take() {
            self.answer(&waiting.request, reason, out);
        }
    }

    fn decide_off(&mut self, now: Moment, request: &Request, clear: bool, out: &mut Vec<Effect>) {
        // One that waited may be decided under new rules.
        if let Some(reason) = self.policy.control.forbids_off() {
            return self.refuse(request, reason, out);
        }
        if clear {
            self.windows.close_own(now, request);
            self.answer(request, Reason::MachineIdle, out);
            self.switch(now, Switch::Off, Cause::Plain, out);
            return;
        }
        match request.rights.when_busy {
            WhenBusy::Hold => self.hold(now, request, out),
            WhenBusy::Defer => self.defer(now, request, out),
        }
    }

    /// Power stays on, the person is told why, and the way out opens.
    fn hold(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        let reason = match self.permissive.at(now) {
            _ if self.is_kept_on(now) => Reason::KeptOn,
            PermissiveState::Busy => Reason::MachineBusy,
            PermissiveState::Clear | PermissiveState::Unknown => Reason::MachineUnknown,
        };
        let (input, may_force) = (request.input, request.rights.may_force);
        if !may_force {
            // Whoever cannot use a window opens none; the announcement says who can.
            self.answer(request, reason, out);
            let window = Span::ZERO;
            out.push(Effect::Announce(Announcement::Held { input, reason, window, may_force }));
            return;
        }
        let window = self.open_window(now, request, reason, out);
        out.push(Effect::Announce(Announcement::Held { input, reason, window, may_force }));
    }

    /// Answers, and opens the window of the place for whoever asked. How long it stays open.
    fn open_window(&mut self, now: Moment, request: &Request, reason: Reason, out: &mut Vec<Effect>) -> Span {
        let length = request.rights.window.unwrap_or(self.policy.window);
        let opened = self.windows.open(now, request, length, self.policy.windows_counted_within);
        let confirm = opened.token.map(|token| Confirm { token, within: opened.left });
        self.answer_with(request, reason, confirm, out);
        opened.left
    }

    fn force_off(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        // A forced off on its way needs no second one; a plain one might yet be called off, so it does.
        if let Some(pending) = self.pending.as_mut().filter(|pending| pending.is_unconditional_off()) {
            // Somebody still means it, so it is tried as often again; else it could be given up between two gestures.
            pending.resends = 0;
            return self.answer(request, Reason::AlreadySwitching, out);
        }
        if let Some(reason) = self.policy.control.forbids_off() {
            return self.refuse(request, reason, out);
        }
        match self.windows.answer_to(now, request, self.policy.force_not_before) {
            WindowAnswer::SameGesture => self.answer(request, Reason::SameGesture, out),
            WindowAnswer::Open => {
                self.answer(request, Reason::ForcedInWindow, out);
                self.switch(now, Switch::Off, Cause::Forced, out);
                out.push(Effect::Announce(Announcement::Forced { input: request.input }));
            }
            // It may be wrong about itself: then the second gesture sends an off, which harms nobody if it is right.
            WindowAnswer::Closed if self.is_believed_off() && self.pending.is_none() => {
                let window = self.open_window(now, request, Reason::AlreadyOff, out);
                out.push(Effect::Announce(Announcement::SaysOff { input: request.input, window }));
            }
            WindowAnswer::Closed if self.is_clear(now, now) && !self.wants_fresh(now) => {
                self.decide_off(now, request, true, out)
            }
            // Only caution holds it, and whoever forces has outgrown that. Sent like a forced one: a plain off would be
            // given up.
            WindowAnswer::Closed if self.is_cautious(now) && !self.wants_fresh(now) => {
                self.answer(request, Reason::MachineIdle, out);
                self.switch(now, Switch::Off, Cause::Forced, out);
            }
            // A force waits for no detector: what is not known now is held, and the second gesture acts.
            WindowAnswer::Closed => self.hold(now, request, out),
        }
    }

    fn lock(&mut self, request: &Request, out: &mut Vec<Effect>) {
        let lockout = Lockout::owned(request.input, request.person);
        if self.locks.has(lockout) {
            return self.answer(request, Reason::AlreadyLocked, out);
        }
        if !self.locks.add(lockout) {
            return self.refuse(request, Reason::LocksFull, out);
        }
        // An on that the outlet has not confirmed must not be sent again under a lockout.
        self.pending = self.pending.filter(|pending| pending.switch == Switch::Off);
        self.keep(out);
        self.answer(request, Reason::Locked, out);
        out.push(Effect::Announce(Announcement::Locked { input: request.input }));
    }

    fn unlock(&mut self, request: &Request, out: &mut Vec<Effect>) {
        if self.pushed.is_some() {
            return self.refuse(request, Reason::ContactPushed, out);
        }
        if self.locks.is_empty() {
            return self.answer(request, Reason::NotLocked, out);
        }
        let input = request.input;
        let own = self.locks.lift(input, request.person);
        if !own && !request.rights.may_unlock {
            return self.refuse(request, Reason::MayNotUnlock, out);
        }
        if request.rights.may_unlock {
            self.locks.end_emergency();
        }
        if !own {
            // Whoever has no lock of their own here means all of them. Whoever has one may have forgotten the others.
            self.locks = Locks::NONE;
        }
        self.keep(out);
        if self.locks.is_empty() {
            self.answer(request, Reason::Unlocked, out);
            out.push(Effect::Announce(Announcement::Unlocked { input }));
        } else {
            self.answer(request, Reason::LockLifted, out);
            out.push(Effect::Announce(Announcement::LockLifted { input }));
        }
        if !self.locks.has_emergency() {
            self.end_emergency(out);
        }
    }

    pub(super) fn refuse(&mut self, request: &Request, reason: Reason, out: &mut Vec<Effect>) {
        self.answer(request, reason, out);
        out.push(Effect::Announce(Announcement::Refused {
            input: request.input,
            kind: request.kind,
            reason,
        }));
    }

    pub(super) fn close_expired_windows(&mut self, now: Moment, out: &mut Vec<Effect>) {
        // Of one that is off, or is going off, nobody need be told that it stays on.
        if self.windows.expire(now, self.policy.windows_counted_within)
            && self.heading_for() != Some(Switch::Off)
        {
            out.push(Effect::Announce(Announcement::WindowOver));
        }
    }
}
