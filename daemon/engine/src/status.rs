//! What people see of a machine at one moment, as plain data.

use std::sync::Arc;

use super::blind::BlindSpot;
use super::core::Engine;
use super::effect::Finding;
use super::jobs::JobSoFar;
use super::lock_book::LockStatus;
use super::services::ServiceStatus;
use idlegate_guard::time::{Moment, Span, WallTime};
use idlegate_guard::{Control, PermissiveState, Phase, RequestKind, Switch};
use idlegate_plan::MachineIx;
use idlegate_plan::event::{Name, Value};

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
    /// Until then it stays on by somebody's word.
    pub kept_on: Option<KeptOnStatus>,
    pub next_schedule: Option<NextFiring>,
    pub locked_by: Option<Name>,
    /// An emergency's first, then in the order in which they came.
    pub locks: Vec<LockStatus>,
    /// Incidents are recorded and not announced, except urgent ones: somebody works on it.
    pub quiet: bool,
    pub services: Vec<ServiceStatus>,
    /// An order is out and not confirmed yet.
    pub switching: Option<Switch>,
    /// Requests that wait for fresh readings.
    pub waiting: usize,
    /// Those that are open, by their words.
    pub incidents: Vec<&'static str>,
    pub blind: Vec<BlindSpot>,
    pub shadow: bool,
    pub control: Control,
    pub signals: Vec<SignalStatus>,
    pub findings: Vec<Finding>,
    /// The one that is under way.
    pub job: Option<JobSoFar>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct DeferralStatus {
    pub by: Name,
    /// While the notice runs.
    pub acts_in: Option<Span>,
    pub expires_in: Span,
}

#[derive(Clone, Debug, PartialEq)]
pub struct KeptOnStatus {
    pub by: Name,
    pub left: Span,
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
    /// Nothing has come since, and its meter speaks only when its value changes.
    pub unchanged: bool,
}

impl Engine {
    pub fn status(&self, now: Moment, index: MachineIx) -> MachineStatus {
        let state = &self.machines[index];
        let (rules, guard) = (state.rules(), &state.guard);
        let signals = rules.signals.iter().zip(state.signals.iter()).map(|(rules, signal)| SignalStatus {
            signal: rules.name.clone(),
            unit: rules.unit().into(),
            value: signal.latest().map(|reading| reading.value.clone()),
            age: signal.fresh_at().map(|at| now.since(at)),
            unchanged: signal.is_unchanged(now),
        });
        let deferral = guard.active_deferral().map(|active| DeferralStatus {
            by: self.names.input_name(active.deferral.by),
            acts_in: match active.phase {
                Phase::Notice { acts_at } => Some(acts_at.since(now)),
                Phase::Looking { .. } => Some(Span::ZERO),
                Phase::Waiting | Phase::Unanswered { .. } => None,
            },
            expires_in: active.deferral.expires_at.since(now),
        });
        let locks = state.locks.status(guard.locks(), &self.names);
        MachineStatus {
            machine: rules.name.clone(),
            title: state.title.clone(),
            outlet: guard.outlet(),
            state: guard.state(now),
            reasons: state.reasons(now),
            clears_in: state.permissive().clears_in,
            idle_for: guard.clear_since().map(|since| now.since(since)),
            window_left: guard.windows().map(|window| window.deadline.since(now)).max(),
            deferral,
            kept_on: guard
                .kept_on()
                .map(|kept| KeptOnStatus { by: self.names.input_name(kept.by), left: kept.until.since(now) }),
            next_schedule: self.next_firing(index),
            locked_by: locks.first().map(|lock| lock.by.clone()),
            locks,
            quiet: guard.locks().is_maintenance(),
            services: state.services.status(&rules.services),
            switching: guard.pending().map(|pending| pending.switch),
            waiting: guard.waiting(),
            incidents: state.incidents(),
            blind: state.eyes.spots.clone(),
            shadow: guard.policy().shadow,
            control: guard.policy().control,
            signals: signals.collect(),
            findings: state.grounds(now).findings,
            job: state.jobs.running(now),
        }
    }
}
