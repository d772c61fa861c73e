//! Whatever is decided in shadow mode is compared, exactly once and within ten seconds, with what became of the outlet.

use idlegate_engine::{Decided, Paired, Why};
use idlegate_guard::time::{Moment, Span, WallTime};
use idlegate_guard::{Decision, RequestKind};
use idlegate_plan::event::Name;

use super::Oracle;

const COMPARED_WITHIN: Span = Span::secs(10);

/// A decision that is still to be compared.
#[derive(Debug)]
pub(super) struct Uncompared {
    machine: Name,
    input: Name,
    at: WallTime,
    since: Moment,
}

impl Oracle {
    pub(super) fn await_comparison(&mut self, now: Moment, decided: &Decided) {
        let Some(machine) = decided.machine.as_ref().filter(|_| decided.shadow) else { return };
        let switches = match decided.request {
            Some(
                RequestKind::On
                | RequestKind::Off
                | RequestKind::Flip
                | RequestKind::ForceOff
                | RequestKind::OffOnceIdle,
            ) => matches!(decided.why, Why::Guard(_) | Why::DeferralDue),
            Some(
                RequestKind::Cancel
                | RequestKind::KeepOn
                | RequestKind::Serviced
                | RequestKind::Lock
                | RequestKind::Unlock
                | RequestKind::EmergencyOff,
            )
            | None => false,
        };
        let is_more = !matches!(decided.decision, Decision::Ignored | Decision::NothingToDo);
        if switches && is_more {
            let (machine, input) = (machine.clone(), decided.input.clone());
            self.uncompared.push(Uncompared { machine, input, at: decided.at.wall, since: now });
        }
    }

    pub(super) fn compared(&mut self, machine: &Name, paired: &Paired) {
        let its = |one: &Uncompared| {
            (&one.machine, &one.input, one.at) == (machine, &paired.input, paired.asked_at)
        };
        match self.uncompared.iter().position(its) {
            Some(place) => drop(self.uncompared.remove(place)),
            // Nothing was left to be done, since the outlet had been switched just before.
            None if paired.before => {}
            None => self.violated(format!("shadow: {machine} was compared with no decision: {paired:?}")),
        }
    }

    pub(super) fn all_compared(&mut self, now: Moment) {
        let late = |one: &Uncompared| now.since(one.since) >= COMPARED_WITHIN;
        if let Some(place) = self.uncompared.iter().position(late) {
            let one = self.uncompared.remove(place);
            self.violated(format!("shadow: nobody said what became of {one:?}"));
        }
    }
}
