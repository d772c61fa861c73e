//! Merging what the detectors of a machine say into the one condition the guard asks for. Any doubt wins over
//! any certainty of being idle.

use std::sync::Arc;

use super::detector::{DetectorState, Worth};
use crate::event::Verdict;
use crate::guard::{Permissive, PermissiveState};
use crate::plan::{Machine, Role};
use crate::signals::SignalState;
use crate::time::Moment;

pub(super) fn merge(
    now: Moment,
    machine: &Machine,
    detectors: &[DetectorState],
    signals: &[SignalState],
) -> Permissive {
    let mut merged = Permissive {
        state: PermissiveState::Clear,
        assessed_at: now,
        as_of: oldest_renewable(machine, signals),
        valid_until: Moment(u64::MAX),
        unseen_since: None,
        clears_in: None,
    };
    let mut holding = 0;
    let mut all_say_when = true;
    for worth in worths(Role::Hold, now, machine, detectors, signals) {
        holding += 1;
        merged.state = worse(merged.state, worth.verdict);
        merged.valid_until = merged.valid_until.min(worth.valid_until);
        merged.unseen_since = match (merged.unseen_since, worth.unseen_since) {
            (Some(one), Some(other)) => Some(one.min(other)),
            (one, other) => one.or(other),
        };
        if worth.verdict != Verdict::Idle {
            // The machine is clear when the last of them says so; one that cannot tell makes the whole untold.
            all_say_when &= worth.clears_in.is_some();
            merged.clears_in = merged.clears_in.max(worth.clears_in);
        }
    }
    if holding == 0 {
        // Nobody watches this machine, so nobody knows that it is idle.
        merged.state = PermissiveState::Unknown;
    }
    if !all_say_when {
        merged.clears_in = None;
    }
    merged
}

/// What stands against switching off, busy before unknown; or, if nothing does, what speaks for it.
pub(super) fn reasons(
    now: Moment,
    machine: &Machine,
    detectors: &[DetectorState],
    signals: &[SignalState],
) -> Vec<Arc<str>> {
    let worths: Vec<Worth> = worths(Role::Hold, now, machine, detectors, signals).collect();
    if worths.is_empty() {
        return vec!["no detector watches it".into()];
    }
    for verdict in [Verdict::Busy, Verdict::Unknown, Verdict::Idle] {
        let matching: Vec<_> = worths
            .iter()
            .filter(|worth| worth.verdict == verdict)
            .map(|worth| worth.reason.clone())
            .collect();
        if !matching.is_empty() {
            return matching;
        }
    }
    Vec::new()
}

/// Whether the machine may be switched on from afar: every detector that has a say in it says idle.
pub(super) fn on_permit(
    now: Moment,
    machine: &Machine,
    detectors: &[DetectorState],
    signals: &[SignalState],
) -> bool {
    worths(Role::PermitOn, now, machine, detectors, signals).all(|worth| worth.verdict == Verdict::Idle)
}

/// What stands against switching on.
pub(super) fn reasons_against_on(
    now: Moment,
    machine: &Machine,
    detectors: &[DetectorState],
    signals: &[SignalState],
) -> Vec<Arc<str>> {
    let worths = worths(Role::PermitOn, now, machine, detectors, signals);
    worths.filter(|worth| worth.verdict != Verdict::Idle).map(|worth| worth.reason).collect()
}

/// What the detectors of one role are worth. Advice informs, but does not count anywhere.
fn worths<'a>(
    role: Role,
    now: Moment,
    machine: &'a Machine,
    detectors: &'a [DetectorState],
    signals: &'a [SignalState],
) -> impl Iterator<Item = Worth> + 'a {
    let pairs = machine.detectors.iter().zip(detectors).filter(move |(uses, _)| uses.role == role);
    pairs.map(move |(uses, state)| state.worth(now, uses, machine, signals))
}

fn worse(state: PermissiveState, verdict: Verdict) -> PermissiveState {
    match (state, verdict) {
        (_, Verdict::Busy) | (PermissiveState::Busy, _) => PermissiveState::Busy,
        (_, Verdict::Unknown) | (PermissiveState::Unknown, _) => PermissiveState::Unknown,
        (PermissiveState::Clear, Verdict::Idle) => PermissiveState::Clear,
    }
}

/// A refresh renews the outlet's own meter. Other sensors keep their own pace and their own staleness.
fn oldest_renewable(machine: &Machine, signals: &[SignalState]) -> Moment {
    let read_at = |signal: usize| signals[signal].fresh_at().unwrap_or_default();
    match machine.outlet.power_signal {
        Some(signal) => read_at(signal),
        None => (0..signals.len()).map(read_at).min().unwrap_or_default(),
    }
}
