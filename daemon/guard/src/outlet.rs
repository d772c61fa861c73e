//! What the outlet and its meter report: confirmations, changes by other routes, draw that should not be there.
//!
//! An incident is told once, and taken back once it is cured. Nothing here ever switches: a change that somebody
//! made by another route is theirs, and the guard does not fight it.

use alloc::vec::Vec;

use super::effect::{Effect, Incident, IncidentKind, Reason};
use super::input::{DrawReport, OutletReport, PermissiveState, Switch};
use super::machine::Guard;
use super::policy::Control;
use crate::time::Moment;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Outlet {
    /// Nothing while it is unknown.
    pub(super) state: Option<Switch>,
    /// The last state that was known, remembered while the outlet is out of sight.
    last_known: Option<Switch>,
    pub(super) at: Moment,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Draw {
    pub(super) at: Moment,
    /// When the outlet went off.
    pub(super) off_at: Option<Moment>,
    /// Whether the last reading since then showed draw.
    residual: bool,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Incidents {
    open: u8,
}

impl Incidents {
    pub(super) fn is_open(self, kind: IncidentKind) -> bool {
        self.open & bit(kind) != 0
    }
}

const fn bit(kind: IncidentKind) -> u8 {
    match kind {
        IncidentKind::OnByAnotherRoute => 1,
        IncidentKind::OffByAnotherRoute => 2,
        IncidentKind::NotConfirmed => 4,
        IncidentKind::StillDrawing => 8,
    }
}

/// The incident that is over once the outlet is in this state.
const fn undone_by(state: Switch) -> IncidentKind {
    match state {
        Switch::On => IncidentKind::OffByAnotherRoute,
        Switch::Off => IncidentKind::OnByAnotherRoute,
    }
}

impl Guard {
    pub(super) fn outlet_report(&mut self, now: Moment, report: OutletReport, out: &mut Vec<Effect>) {
        if report.at < self.outlet.at {
            return;
        }
        // A report from the future would stand in the way of all that follow.
        self.outlet.at = report.at.min(now);
        self.outlet.state = report.state;
        let Some(state) = report.state else { return };
        let before = self.outlet.last_known.replace(state);
        let changed = before != Some(state);
        // A first report after a start is news to us, but no change.
        let by_another_route = changed && before.is_some() && !self.is_ours(now, state);
        self.settle_not_confirmed(state, out);
        self.tell_of_failed_emergency(before, state, out);
        if self.pending.take_if(|pending| pending.switch == state).is_some() && state == Switch::Off {
            // Our own off has come about, and what was opened before it is of the past. What an outlet says of itself
            // takes the way out from nobody.
            self.windows.close_all(now);
        }
        if changed {
            self.settle_incident(undone_by(state), out);
        }
        if by_another_route {
            self.tell_of_another_route(now, state, out);
        }
        match state {
            Switch::On if changed => self.went_on(now, out),
            Switch::On => {}
            Switch::Off => self.is_off(now, changed, out),
        }
    }

    /// The last order is confirmed by the very state it asked for, even if the outlet was there before; the other
    /// state confirms nothing.
    fn settle_not_confirmed(&mut self, state: Switch, out: &mut Vec<Effect>) {
        let last = self.sent.on.max(self.sent.off);
        let confirmed = self.sent.slot(state).take();
        let emergency = self.locks.has_emergency();
        if (confirmed.is_some() && confirmed == last) || (emergency && state == Switch::Off) {
            self.settle_incident(IncidentKind::NotConfirmed, out);
        }
    }

    /// A start forgets the order in flight but not the lockout: if that was an emergency's and the machine is on, its
    /// off has failed. Starting switches nothing, so people must.
    pub(super) fn tell_of_failed_emergency(
        &mut self,
        before: Option<Switch>,
        state: Switch,
        out: &mut Vec<Effect>,
    ) {
        let emergency = self.locks.has_emergency();
        if emergency && before.is_none() && state == Switch::On && self.pending.is_none() {
            self.open_incident(IncidentKind::NotConfirmed, true, out);
        }
    }

    fn tell_of_another_route(&mut self, now: Moment, state: Switch, out: &mut Vec<Effect>) {
        match state {
            // Whoever switches it, it is never through the guard.
            _ if self.policy.control == Control::Watched => {}
            // As people there always do; under a lockout it is against the rules all the same.
            Switch::On if self.policy.on_by_hand && self.locks.is_empty() => {}
            Switch::On => self.open_incident(IncidentKind::OnByAnotherRoute, !self.locks.is_empty(), out),
            Switch::Off => {
                let is_idle = self.state(now) == PermissiveState::Clear || self.is_cautious(now);
                let may_have_worked = !is_idle;
                self.open_incident(IncidentKind::OffByAnotherRoute, may_have_worked, out);
            }
        }
    }

    fn went_on(&mut self, now: Moment, out: &mut Vec<Effect>) {
        self.idle_from = now;
        self.draw.off_at = None;
        self.draw.residual = false;
        self.settle_incident(IncidentKind::StillDrawing, out);
    }

    fn is_off(&mut self, now: Moment, changed: bool, out: &mut Vec<Effect>) {
        if changed {
            self.draw.off_at = Some(now);
            self.draw.residual = false;
        }
        // An on still in flight has not been seen to work yet; until then nothing that waits is moot.
        if self.pending.is_some() {
            return;
        }
        self.answer_waiting(Reason::AlreadyOff, out);
        self.moot_deferral(out);
    }

    pub(super) fn draw_report(&mut self, now: Moment, report: DrawReport, out: &mut Vec<Effect>) {
        if report.at < self.draw.at {
            return;
        }
        self.draw.at = report.at.min(now);
        self.draw.residual = report.residual && self.draw.off_at.is_some_and(|off_at| report.at >= off_at);
        if !report.residual {
            self.settle_incident(IncidentKind::StillDrawing, out);
        }
    }

    /// A meter may report only changes, so draw that has not fallen in time is told without waiting for it.
    pub(super) fn tell_residual_draw(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if self.residual_deadline().is_some_and(|due| due <= now) {
            self.open_incident(IncidentKind::StillDrawing, true, out);
        }
    }

    pub(super) fn residual_deadline(&self) -> Option<Moment> {
        let may_tell = self.draw.residual
            && self.outlet.state == Some(Switch::Off)
            && !self.incidents.is_open(IncidentKind::StillDrawing);
        Some(self.draw.off_at.filter(|_| may_tell)? + self.policy.residual_after)
    }

    /// The outlet says off, and nothing speaks against it. While the meter goes on saying otherwise, a person can still
    /// force an order.
    pub(super) fn is_believed_off(&self) -> bool {
        self.outlet.state == Some(Switch::Off) && !self.incidents.is_open(IncidentKind::StillDrawing)
    }

    pub(super) fn open_incident(&mut self, kind: IncidentKind, urgent: bool, out: &mut Vec<Effect>) {
        if !self.incidents.is_open(kind) {
            self.incidents.open |= bit(kind);
            out.push(Effect::Incident(Incident { kind, urgent }));
        }
    }

    pub(super) fn settle_incident(&mut self, kind: IncidentKind, out: &mut Vec<Effect>) {
        if self.incidents.is_open(kind) {
            self.incidents.open &= !bit(kind);
            out.push(Effect::IncidentOver(kind));
        }
    }
}
