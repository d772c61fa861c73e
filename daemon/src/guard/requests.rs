//! The guard's answers, request by request. Every path through this file gives exactly one answer, or puts the
//! request among the waiting, where it will get exactly one.

use super::effect::{Announcement, Cause, Effect, Lockout, Reason};
use super::input::{PermissiveState, Request, RequestKind, Switch};
use super::machine::Guard;
use super::override_window::OverrideWindow;
use super::policy::WhenBusy;
use super::repeats::Appearance;
use crate::time::Moment;

impl Guard {
    pub(super) fn request(&mut self, now: Moment, request: Request, out: &mut Vec<Effect>) {
        // Ahead of everything that could stand in its way.
        if request.kind == RequestKind::EmergencyOff {
            return self.emergency_off(now, &request, out);
        }
        if let Some(reason) = self.not_a_gesture(now, &request, out) {
            return self.answer(&request, reason, out);
        }
        if request.rights.out_of_hours && request.kind.has_hours() {
            return self.refuse(&request, Reason::OutOfHours, out);
        }
        match request.kind {
            RequestKind::On => self.on(now, &request, out),
            RequestKind::Off => self.off(now, request, false, out),
            RequestKind::Flip => self.flip(now, request, out),
            RequestKind::ForceOff => self.force_off(now, &request, out),
            RequestKind::OffOnceIdle => self.off_once_idle(now, &request, out),
            RequestKind::Cancel => self.cancel(now, &request, out),
            RequestKind::Lock => self.lock(&request, out),
            RequestKind::Unlock => self.unlock(&request, out),
            RequestKind::EmergencyOff => unreachable!("emergencies are answered first"),
        }
    }

    /// Nobody is behind a stored message, an old one, or the echo of a gesture already seen.
    fn not_a_gesture(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) -> Option<Reason> {
        if request.arrival.retained {
            return Some(Reason::Retained);
        }
        if request.arrival.age > self.policy.request_max_age {
            return Some(Reason::TooOld);
        }
        let (guard, stuck_after) = (self.policy.repeat_guard, self.policy.stuck_after);
        match self.repeats.note(now, request.input, request.gesture, guard, stuck_after) {
            Appearance::New => None,
            Appearance::Repeat => Some(Reason::Repeated),
            Appearance::TooMany => Some(Reason::TooMany),
            Appearance::Stuck => {
                out.push(Effect::Announce(Announcement::StuckInput { input: request.input }));
                Some(Reason::Repeated)
            }
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
        // The order goes first: nothing that follows may delay it.
        self.switch(now, Switch::Off, Cause::Emergency, out);
        self.lockout = Some(Lockout { by: request.input, emergency: true });
        self.keep(out);
        self.answer(request, Reason::Emergency, out);
        out.push(Effect::Announce(Announcement::EmergencyOff { input: request.input }));
    }

    fn on(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        if self.lockout.is_some() {
            return self.refuse(request, Reason::Lockout, out);
        }
        match self.heading_for() {
            Some(Switch::On) => self.stay_on(now, request, out),
            Some(Switch::Off) | None => self.switch_on(now, request, out),
        }
    }

    /// The machine is on, and somebody wants it on: whatever was about to switch it off is called off.
    fn stay_on(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        self.window = None;
        self.answer_waiting(Reason::Superseded, out);
        let reason = if self.standing.is_some() {
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
        if let Some(reason) = self.on_forbidden() {
            return self.refuse(request, reason, out);
        }
        self.answer_waiting(Reason::Superseded, out);
        if self.standing.is_some() {
            self.cancel_deferral(now, Some(request.input), out);
        }
        self.answer(request, Reason::SwitchingOn, out);
        self.switch(now, Switch::On, Cause::Plain, out);
    }

    pub(super) fn on_forbidden(&self) -> Option<Reason> {
        if self.lockout.is_some() {
            Some(Reason::Lockout)
        } else if !self.policy.remote_on {
            Some(Reason::RemoteOnForbidden)
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
            Some(Switch::On) | None => self.off_when_known(now, request, ask, out),
        }
    }

    pub(super) fn decide_off(&mut self, now: Moment, request: &Request, clear: bool, out: &mut Vec<Effect>) {
        if clear {
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
            PermissiveState::Busy => Reason::MachineBusy,
            PermissiveState::Clear | PermissiveState::Unknown => Reason::MachineUnknown,
        };
        self.window = Some(OverrideWindow::open(request.input, now, self.policy.window));
        self.answer(request, reason, out);
        out.push(Effect::Announce(Announcement::Held {
            input: request.input,
            reason,
            window: self.policy.window,
            may_force: request.rights.may_force,
        }));
    }

    fn force_off(&mut self, now: Moment, request: &Request, out: &mut Vec<Effect>) {
        if !request.rights.may_force {
            return self.refuse(request, Reason::MayNotForce, out);
        }
        if self.is_believed_off() && self.pending.is_none() {
            return self.answer(request, Reason::AlreadyOff, out);
        }
        // A forced off on its way needs no second one; a plain one might yet be called off, so it does.
        if let Some(pending) = self.pending.as_mut().filter(|pending| pending.is_unconditional_off()) {
            // Somebody still means it, so it is tried as often again; else it could be given up between two gestures.
            pending.resends = 0;
            return self.answer(request, Reason::AlreadySwitching, out);
        }
        match self.window.filter(|window| window.is_open(now)) {
            Some(window) if window.same_gesture(request.input, now, self.policy.force_not_before) => {
                self.answer(request, Reason::SameGesture, out);
            }
            Some(_) => {
                self.answer(request, Reason::ForcedInWindow, out);
                self.switch(now, Switch::Off, Cause::Forced, out);
                out.push(Effect::Announce(Announcement::Forced { input: request.input }));
            }
            None if self.is_clear(now, now) && !self.wants_fresh(now) => {
                self.decide_off(now, request, true, out)
            }
            // A force waits for no detector: what is not known now is held, and the second gesture acts.
            None => self.hold(now, request, out),
        }
    }

    fn lock(&mut self, request: &Request, out: &mut Vec<Effect>) {
        if !request.rights.may_lock {
            return self.refuse(request, Reason::MayNotLock, out);
        }
        if self.lockout.is_some() {
            return self.answer(request, Reason::AlreadyLocked, out);
        }
        self.lockout = Some(Lockout { by: request.input, emergency: false });
        // An on that the outlet has not confirmed must not be sent again under a lockout.
        self.pending = self.pending.filter(|pending| pending.switch == Switch::Off);
        self.keep(out);
        self.answer(request, Reason::Locked, out);
        out.push(Effect::Announce(Announcement::Locked { input: request.input }));
    }

    fn unlock(&mut self, request: &Request, out: &mut Vec<Effect>) {
        if !request.rights.may_unlock {
            return self.refuse(request, Reason::MayNotUnlock, out);
        }
        if self.lockout.take().is_none() {
            return self.answer(request, Reason::NotLocked, out);
        }
        self.keep(out);
        self.answer(request, Reason::Unlocked, out);
        out.push(Effect::Announce(Announcement::Unlocked { input: request.input }));
        self.end_emergency(out);
    }

    fn refuse(&mut self, request: &Request, reason: Reason, out: &mut Vec<Effect>) {
        self.answer(request, reason, out);
        out.push(Effect::Announce(Announcement::Refused {
            input: request.input,
            kind: request.kind,
            reason,
        }));
    }

    pub(super) fn close_expired_window(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if self.window.is_some_and(|window| !window.is_open(now)) {
            self.window = None;
            out.push(Effect::Announce(Announcement::WindowOver));
        }
    }
}
