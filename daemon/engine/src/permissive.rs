//! Merging what the detectors of a machine say, and what other machines need of it, into the one condition the guard
//! asks for. Any doubt wins over any certainty of being idle.

use std::sync::Arc;

use super::detector::{DetectorState, Worth};
use super::interlocks::{Needed, Others, earlier};
use crate::signals::SignalState;
use idlegate_guard::time::Moment;
use idlegate_guard::{Permissive, PermissiveState};
use idlegate_plan::event::Verdict;
use idlegate_plan::{DetectorUse, Machine, Role, SignalIx, Table};

/// What is known of a machine.
#[derive(Clone, Copy)]
pub(super) struct Known<'a> {
    pub(super) machine: &'a Machine,
    pub(super) detectors: &'a [DetectorState],
    pub(super) signals: &'a Table<SignalIx, SignalState>,
    pub(super) others: &'a Others,
}

/// A word that counts towards switching off. Only whoever has the role of holding has one: nobody else's ever gets
/// into the permissive.
pub(super) struct Holding(Worth);

impl Holding {
    fn of(now: Moment, known: &Known<'_>, uses: &DetectorUse, state: &DetectorState) -> Option<Holding> {
        match uses.role {
            Role::Hold => {}
            Role::Advise | Role::PermitOn | Role::Warn(_) => return None,
        }
        let mut worth = state.worth(now, uses, known.machine, known.signals);
        for signal in uses.signals.iter().flatten() {
            if let Some(name) = known.machine.signals[*signal].of_machine() {
                let read = known.signals[*signal].latest().map(|reading| &reading.value);
                known.others.temper(now, name, read, &mut worth);
            }
        }
        Some(Holding(worth))
    }
}

impl<'a> Known<'a> {
    fn holding(self, now: Moment) -> impl Iterator<Item = Holding> + use<'a> {
        self.seen(now).chain(self.others.needing(now, self.machine).map(Holding))
    }

    /// What detectors say.
    fn seen(self, now: Moment) -> impl Iterator<Item = Holding> + use<'a> {
        let pairs = self.machine.detectors.iter().zip(self.detectors);
        pairs.filter_map(move |(uses, state)| Holding::of(now, &self, uses, state))
    }

    pub(super) fn is_seen_working(self, now: Moment) -> bool {
        self.seen(now).any(|Holding(worth)| worth.verdict == Verdict::Busy)
    }

    /// Something else holds it than that others need it.
    pub(super) fn is_held_by_itself(self, now: Moment) -> bool {
        self.seen(now).any(|Holding(worth)| worth.verdict != Verdict::Idle)
    }

    pub(super) fn merge(self, now: Moment) -> Permissive {
        let mut merged = Permissive {
            state: PermissiveState::Clear,
            assessed_at: now,
            as_of: oldest_renewable(self.machine, self.signals),
            valid_until: Moment(u64::MAX),
            unseen_since: None,
            clears_in: None,
            cautious: false,
        };
        let mut holding = 0;
        let mut all_say_when = true;
        for Holding(worth) in self.holding(now) {
            holding += 1;
            merged.state = worse(merged.state, worth.verdict);
            merged.valid_until = merged.valid_until.min(worth.valid_until);
            merged.unseen_since = earlier(merged.unseen_since, worth.unseen_since);
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
    pub(super) fn reasons(self, now: Moment) -> Vec<Arc<str>> {
        let worths: Vec<Worth> = self.holding(now).map(|Holding(worth)| worth).collect();
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

    /// What stands against switching on: each detector that has a say in it and does not say idle, and each machine
    /// that must be on first.
    pub(super) fn reasons_against_on(self, now: Moment) -> impl Iterator<Item = Arc<str>> + use<'a> {
        let pairs = self.machine.detectors.iter().zip(self.detectors);
        let permits = pairs.filter(|(uses, _)| uses.role == Role::PermitOn);
        let worths = permits.map(move |(uses, state)| state.worth(now, uses, self.machine, self.signals));
        let against = worths.filter(|worth| worth.verdict != Verdict::Idle).map(|worth| worth.reason);
        against.chain(self.others.needed(self.machine).filter_map(Needed::lacking))
    }
}

fn worse(state: PermissiveState, verdict: Verdict) -> PermissiveState {
    match (state, verdict) {
        (_, Verdict::Busy) | (PermissiveState::Busy, _) => PermissiveState::Busy,
        (_, Verdict::Unknown) | (PermissiveState::Unknown, _) => PermissiveState::Unknown,
        (PermissiveState::Clear, Verdict::Idle) => PermissiveState::Clear,
    }
}

/// A refresh renews the outlet's own meter. Other sensors keep their own pace and their own staleness; the state of
/// another machine is renewed by nothing and is never old.
fn oldest_renewable(machine: &Machine, signals: &Table<SignalIx, SignalState>) -> Moment {
    let read_at = |signal: SignalIx| signals[signal].known_at().unwrap_or_default();
    let from_outside = |signal: &SignalIx| machine.signals[*signal].of_machine().is_none();
    let never_old = Moment(if machine.goes_by().is_empty() { 0 } else { u64::MAX });
    match machine.outlet.power_signal {
        Some(signal) => read_at(signal),
        None => signals.indices().filter(from_outside).map(read_at).min().unwrap_or(never_old),
    }
}
