//! What people see of a machine at one moment, as plain data.

use std::sync::Arc;

use super::core::Engine;
use super::effect::Finding;
use crate::event::{Name, Value};
use crate::guard::{IncidentKind, PermissiveState, Phase, RequestKind, Switch};
use crate::time::{Moment, Span, WallTime};

#[derive(Clone, Debug, PartialEq)]
pub struct MachineStatus {
    pub machine: Name,
    pub title: Arc<str>,
    pub outlet: Option<Switch>,
    pub state: PermissiveState,
    pub reasons: Vec<Arc<str>>,
    pub clears_in: Option<Span>,
    pub idle_for: Option<Span>,
    pub window_left: Option<Span>,
    pub deferral: Option<DeferralStatus>,
    pub next_schedule: Option<NextFiring>,
    pub locked_by: Option<Name>,
    /// An order is out and not confirmed yet.
    pub switching: Option<Switch>,
    /// Requests that wait for fresh readings.
    pub waiting: usize,
    pub incidents: Vec<IncidentKind>,
    pub shadow: bool,
    pub signals: Vec<SignalStatus>,
    pub findings: Vec<Finding>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct DeferralStatus {
    pub by: Name,
    /// While the notice runs.
    pub acts_in: Option<Span>,
    pub expires_in: Span,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NextFiring {
    pub at: WallTime,
    pub by: Name,
    pub request: RequestKind,
}

#[derive(Clone, Debug, PartialEq)]
pub struct SignalStatus {
    pub signal: Name,
    pub unit: Arc<str>,
    pub value: Option<Value>,
    pub age: Option<Span>,
}

impl Engine {
    pub fn status(&self, now: Moment, index: usize) -> MachineStatus {
        let state = &self.machines[index];
        let (rules, guard) = (state.rules(), &state.guard);
        let signals = rules.signals.iter().zip(&state.signals).map(|(rules, signal)| SignalStatus {
            signal: rules.name.clone(),
            unit: rules.unit().into(),
            value: signal.latest().map(|reading| reading.value.clone()),
            age: signal.fresh_at().map(|at| now.since(at)),
        });
        let deferral = guard.standing().map(|standing| DeferralStatus {
            by: self.names.input_name(standing.deferral.by),
            acts_in: match standing.phase {
                Phase::Notice { acts_at } => Some(acts_at.since(now)),
                Phase::Looking { .. } => Some(Span::ZERO),
                Phase::Waiting | Phase::Unanswered { .. } => None,
            },
            expires_in: standing.deferral.expires_at.since(now),
        });
        MachineStatus {
            machine: rules.name.clone(),
            title: state.title.clone(),
            outlet: guard.outlet(),
            state: state.permissive().at(now),
            reasons: state.reasons(now),
            clears_in: state.permissive().clears_in,
            idle_for: guard.clear_since().map(|since| now.since(since)),
            window_left: guard.window().map(|window| window.deadline().since(now)),
            deferral,
            next_schedule: self.next_firing(index),
            locked_by: guard.lockout().map(|lockout| self.names.input_name(lockout.by)),
            switching: guard.pending().map(|pending| pending.switch),
            waiting: guard.waiting(),
            incidents: guard.incidents().collect(),
            shadow: guard.policy().shadow,
            signals: signals.collect(),
            findings: state.grounds(now).findings,
        }
    }
}
