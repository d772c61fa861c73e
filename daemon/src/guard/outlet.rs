//! What the outlet and its meter report: confirmations, changes by other routes, draw that should not be there.
//!
//! An incident is told once, and taken back once it is cured. Nothing here ever switches: a change that somebody
//! made by another route is theirs, and the guard does not fight it.

use super::effect::{Effect, Incident, IncidentKind, Reason};
use super::input::{DrawReport, OutletReport, PermissiveState, Switch};
use super::machine::Guard;
use crate::time::Moment;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Outlet {
    /// Nothing while it is unknown.
    pub(super) state: Option<Switch>,
    /// The last state that was known, remembered while the outlet is out of sight.
    last_known: Option<Switch>,
    at: Moment,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Draw {
    at: Moment,
    /// After an off: from when on remaining draw is an incident.
    residual_from: Option<Moment>,
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

impl Guard {
    pub(super) fn outlet_report(&mut self, now: Moment, report: OutletReport, out: &mut Vec<Effect>) {
        if report.at < self.outlet.at {
            return;
        }
        self.outlet.at = report.at;
        self.outlet.state = report.state;
        let Some(state) = report.state else { return };
        let before = self.outlet.last_known.replace(state);
        let changed = before != Some(state);
        // A first report after a start is news to us, but no change.
        let by_another_route = changed && before.is_some() && !self.is_ours(now, state);
        *self.sent.slot(state) = None;
        if self.pending.is_some_and(|pending| pending.switch == state) {
            self.pending = None;
        }
        if changed {
            self.settle_switching_incidents(state, out);
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

    /// Whatever was told of the state before this one is over.
    fn settle_switching_incidents(&mut self, state: Switch, out: &mut Vec<Effect>) {
        self.settle_incident(IncidentKind::NotConfirmed, out);
        self.settle_incident(
            match state {
                Switch::On => IncidentKind::OffByAnotherRoute,
                Switch::Off => IncidentKind::OnByAnotherRoute,
            },
            out,
        );
    }

    fn tell_of_another_route(&mut self, now: Moment, state: Switch, out: &mut Vec<Effect>) {
        match state {
            Switch::On => self.open_incident(IncidentKind::OnByAnotherRoute, self.lockout.is_some(), out),
            Switch::Off => {
                let may_have_worked = self.permissive.at(now) != PermissiveState::Clear;
                self.open_incident(IncidentKind::OffByAnotherRoute, may_have_worked, out);
            }
        }
    }

    fn went_on(&mut self, now: Moment, out: &mut Vec<Effect>) {
        self.idle_from = now;
        self.draw.residual_from = None;
        self.settle_incident(IncidentKind::StillDrawing, out);
    }

    fn is_off(&mut self, now: Moment, changed: bool, out: &mut Vec<Effect>) {
        if changed {
            self.draw.residual_from = Some(now + self.policy.residual_after);
        }
        // An on still in flight has not been seen to work yet; until then nothing that waits is moot.
        if self.pending.is_some() {
            return;
        }
        self.window = None;
        self.answer_waiting(Reason::AlreadyOff, out);
        self.moot_deferral(out);
    }

    pub(super) fn draw_report(&mut self, report: DrawReport, out: &mut Vec<Effect>) {
        if report.at < self.draw.at {
            return;
        }
        self.draw.at = report.at;
        if !report.residual {
            self.settle_incident(IncidentKind::StillDrawing, out);
        } else if self.outlet.state == Some(Switch::Off)
            && self.draw.residual_from.is_some_and(|from| report.at >= from)
        {
            self.open_incident(IncidentKind::StillDrawing, true, out);
        }
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
