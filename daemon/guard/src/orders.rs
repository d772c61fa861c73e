//! Orders to the outlet: sent, confirmed, sent again, and given up loudly.

use alloc::vec::Vec;

use super::announcement::Announcement;
use super::effect::{Cause, Effect, IncidentKind, Order};
use super::input::Switch;
use super::machine::Guard;
use super::place::Place;
use crate::time::{Moment, Span};

/// The one order in flight. A new one takes its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Pending {
    pub switch: Switch,
    pub cause: Cause,
    /// Of an on: from where it was asked for.
    pub from: Option<Place>,
    pub resend_at: Moment,
    pub resends: u8,
    /// How often the next sending was put off because detectors had not looked at everything.
    pub waits: u8,
}

/// Detectors that have not looked at a reading after so many waits may never do so, and that is a doubt.
const WAITS_MAX: u8 = 4;

impl Pending {
    fn is_plain_off(&self) -> bool {
        self.switch == Switch::Off && self.cause == Cause::Plain
    }

    pub(super) fn is_unconditional_off(&self) -> bool {
        match self.cause {
            Cause::Plain => false,
            Cause::Forced | Cause::Emergency => self.switch == Switch::Off,
        }
    }
}

/// When each kind of order was last sent without its effect having been seen: a change of the outlet that answers
/// one of them, however late, is ours and no incident.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Sent {
    pub(super) on: Option<Moment>,
    pub(super) off: Option<Moment>,
}

impl Sent {
    pub(super) fn slot(&mut self, switch: Switch) -> &mut Option<Moment> {
        match switch {
            Switch::On => &mut self.on,
            Switch::Off => &mut self.off,
        }
    }
}

impl Guard {
    pub(super) fn switch(&mut self, now: Moment, switch: Switch, cause: Cause, out: &mut Vec<Effect>) {
        self.switch_from(now, switch, cause, None, out);
    }

    pub(super) fn switch_from(
        &mut self,
        now: Moment,
        switch: Switch,
        cause: Cause,
        from: Option<Place>,
        out: &mut Vec<Effect>,
    ) {
        // Shadow mode never silences an emergency.
        let shadow = self.policy.shadow && cause != Cause::Emergency;
        out.push(Effect::Order(Order { switch, cause, resend: 0, shadow }));
        if !shadow {
            self.pending = Some(Pending {
                switch,
                cause,
                from,
                resend_at: now + self.policy.confirm_within,
                resends: 0,
                waits: 0,
            });
            *self.sent.slot(switch) = Some(now);
        }
        match cause {
            Cause::Forced | Cause::Emergency => {
                self.windows.close_all(now);
                self.overrule_keeping_on(now, out);
            }
            // Somebody else's off of an idle machine, or an on, takes no window away.
            Cause::Plain => {}
        }
        self.idle_from = now;
        self.settle_incident(IncidentKind::NotConfirmed, out);
        if switch == Switch::Off {
            self.answer_waiting(super::effect::Reason::AlreadySwitching, out);
            self.drop_deferral(out);
        }
    }

    /// Looks at the order in flight once its time for confirmation is over.
    pub(super) fn resend_overdue(&mut self, now: Moment, out: &mut Vec<Effect>) {
        let Some(pending) = self.pending.filter(|pending| pending.resend_at <= now) else { return };
        if self.came_too_late(now, &pending) {
            return self.give_up(&pending, out);
        }
        if pending.is_plain_off() && !self.permissive.covers(now) && pending.waits < WAITS_MAX {
            // A reading is on its way through a detector; it will have been judged in a moment.
            let resend_at = now + self.policy.assess_wait.max(Span(1));
            self.pending = Some(Pending { resend_at, waits: pending.waits + 1, ..pending });
            return;
        }
        if self.must_not_repeat(now, &pending) {
            match pending.switch {
                Switch::On => self.give_up(&pending, out),
                Switch::Off => {
                    self.pending = None;
                    out.push(Effect::Announce(Announcement::OffAbandoned));
                }
            }
            return;
        }
        if pending.resends < self.policy.tries {
            return self.resend(now, Pending { resends: pending.resends + 1, ..pending }, out);
        }
        match pending.cause {
            // Nobody is told that an emergency could not be carried out without its being tried further; only an
            // outlet that has said it is off, and has said nothing since, is believed in the end.
            Cause::Emergency if self.outlet.state != Some(Switch::Off) => {
                self.open_incident(IncidentKind::NotConfirmed, true, out);
                self.resend(now, pending, out);
            }
            Cause::Emergency => self.pending = None,
            Cause::Plain | Cause::Forced => self.give_up(&pending, out),
        }
    }

    /// The computer was suspended, or the program stopped: an order sent now would be one from the past. An
    /// emergency holds until somebody releases it.
    fn came_too_late(&self, now: Moment, pending: &Pending) -> bool {
        pending.cause != Cause::Emergency && now.since(pending.resend_at) > self.policy.confirm_within
    }

    fn give_up(&mut self, pending: &Pending, out: &mut Vec<Effect>) {
        self.pending = None;
        self.open_incident(IncidentKind::NotConfirmed, pending.is_unconditional_off(), out);
    }

    /// A lost order is sent again only where it would be sent now for the first time.
    fn must_not_repeat(&self, now: Moment, pending: &Pending) -> bool {
        match (pending.switch, pending.cause) {
            (Switch::Off, Cause::Plain) => {
                !self.is_clear(now, now) || self.policy.control.forbids_off().is_some()
            }
            (Switch::Off, Cause::Forced) => self.policy.control.forbids_off().is_some(),
            (Switch::Off, Cause::Emergency) => false,
            (Switch::On, _) => self.on_forbidden(pending.from).is_some(),
        }
    }

    fn resend(&mut self, now: Moment, pending: Pending, out: &mut Vec<Effect>) {
        self.pending = Some(Pending { resend_at: now + self.policy.confirm_within, waits: 0, ..pending });
        *self.sent.slot(pending.switch) = Some(now);
        out.push(Effect::Order(Order {
            switch: pending.switch,
            cause: pending.cause,
            resend: pending.resends,
            shadow: false,
        }));
    }

    /// The link is back: an emergency that could not be sent is sent now, not when its next turn comes.
    pub(super) fn resend_emergency(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if let Some(pending) = self.pending.filter(|pending| pending.cause == Cause::Emergency) {
            self.resend(now, pending, out);
        }
    }

    /// Whoever releases the machine has looked at it. An off sent again after that would end whatever is begun then.
    pub(super) fn end_emergency(&mut self, out: &mut Vec<Effect>) {
        let Some(pending) = self.pending.take_if(|pending| pending.cause == Cause::Emergency) else { return };
        if self.outlet.state != Some(Switch::Off) {
            self.give_up(&pending, out);
        }
    }

    /// Whether a change to `switch`, seen now, answers an order of ours. An order can take effect until it has
    /// expired on its way, and the report of it takes up to the confirmation time.
    pub(super) fn is_ours(&self, now: Moment, switch: Switch) -> bool {
        let late = Span(self.policy.confirm_within.0.saturating_mul(2));
        let sent = match switch {
            Switch::On => self.sent.on,
            Switch::Off => self.sent.off,
        };
        sent.is_some_and(|at| now.since(at) <= late)
    }
}
