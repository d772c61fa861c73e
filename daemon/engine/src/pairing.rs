//! In shadow mode others still switch the machine, often at the very press that was decided upon here. So a change of
//! the outlet is compared with the decision next to it, and is no incident of its own: it came about as decided, or a
//! machine was cut that would have been held, or one stayed on that would have been switched off.
//!
//! It only watches: nothing here reaches the guard, and an emergency is compared with nothing.

use std::collections::VecDeque;

use super::core::Engine;
use super::effect::{Effect, IncidentTold, Meanwhile, Note, Noted, Paired};
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{Decision, IncidentKind, InputId, Reason, RequestKind, Switch, WhenBusy};
use idlegate_plan::MachineIx;
use idlegate_plan::event::Name;

/// Whatever else hears the same press has switched by then, and a press that comes this much later is another one.
const TOGETHER: Span = Span::secs(10);
/// Nobody presses more often within [`TOGETHER`] and means each of them.
const OPEN_MAX: usize = 8;

#[derive(Debug, Default)]
pub(super) struct Pairing {
    /// Decisions that wait for what happens, oldest first.
    open: VecDeque<OpenDecision>,
    /// A change that waits for the request of the same press.
    early: Option<EarlyChange>,
    /// Whether the machine was idle for certain when its outlet last said something, before that was taken in.
    pub(super) was_clear: bool,
    /// The incident that the guard counts as open, and nobody has been told of.
    untold: Option<IncidentKind>,
}

#[derive(Debug)]
struct EarlyChange {
    at: Now,
    to: Switch,
    /// An off would not have gone through then.
    held: bool,
    /// Its incident, should no request come.
    told: IncidentTold,
}

#[derive(Clone, Debug)]
struct OpenDecision {
    at: Now,
    input: Name,
    request: RequestKind,
    decision: Decision,
    asked: Switch,
    would: Would,
    /// The outlet then.
    outlet: Option<Switch>,
}

/// What Idlegate would have made of the request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Would {
    Switch,
    /// In a moment, after a notice.
    SwitchSoon,
    Leave,
}

impl OpenDecision {
    fn is_over(&self, now: Moment) -> bool {
        now.since(self.at.moment) >= TOGETHER
    }

    fn paired(&self, meanwhile: Meanwhile, changed: Option<(Moment, bool)>) -> Paired {
        let apart = |(at, before): (Moment, bool)| {
            if before { self.at.moment.since(at) } else { at.since(self.at.moment) }
        };
        Paired {
            asked_at: self.at.wall,
            input: self.input.clone(),
            request: self.request,
            decision: self.decision,
            asked: self.asked,
            meanwhile,
            before: changed.is_some_and(|(_, before)| before),
            apart: changed.map(apart),
        }
    }

    /// The outlet did what was asked for.
    fn changed(&self) -> Meanwhile {
        match (self.would, self.asked) {
            (Would::Switch | Would::SwitchSoon, _) => Meanwhile::Agrees,
            (Would::Leave, Switch::Off) => Meanwhile::Cut,
            (Would::Leave, Switch::On) => Meanwhile::SwitchedOn,
        }
    }

    /// Its time is over, and this is how the outlet stands.
    fn left_at(&self, outlet: Option<Switch>) -> Meanwhile {
        match (outlet, self.would, self.asked) {
            (None, _, _) => Meanwhile::Unseen,
            (Some(_), _, _) if self.outlet.is_none() => Meanwhile::Unseen,
            (Some(now), _, asked) if now == asked => self.changed(),
            (Some(_), Would::Leave | Would::SwitchSoon, _) => Meanwhile::Agrees,
            (Some(_), Would::Switch, Switch::Off) => Meanwhile::LeftOn,
            (Some(_), Would::Switch, Switch::On) => Meanwhile::LeftOff,
        }
    }
}

impl Pairing {
    pub(super) fn deadline(&self) -> Option<Moment> {
        let early = self.early.as_ref().map(|early| early.at.moment);
        self.open.front().map(|open| open.at.moment).into_iter().chain(early).min().map(|at| at + TOGETHER)
    }

    /// Whether nobody is told that it is open.
    pub(super) fn hides(&self, kind: IncidentKind) -> bool {
        self.untold == Some(kind)
    }

    /// Whether a change to this answers a decision.
    fn awaits(&self, now: Moment, switch: Switch) -> bool {
        self.open.iter().any(|open| open.asked == switch && !open.is_over(now))
    }

    fn decided(&mut self, decided: OpenDecision, out: &mut Vec<Paired>) {
        if self.open.len() == OPEN_MAX {
            let oldest = self.open.pop_front();
            out.extend(oldest.map(|oldest| oldest.paired(oldest.left_at(decided.outlet), None)));
        }
        self.open.push_back(decided);
    }

    /// The outlet was switched by somebody else. It answers the newest decision on such a request, and every older one
    /// by which it would have been switched; until then the others had been left as decided.
    fn changed(&mut self, now: Moment, switch: Switch, out: &mut Vec<Paired>) {
        let newest = self.open.iter().rposition(|open| open.asked == switch);
        let mut others = VecDeque::new();
        for (place, open) in std::mem::take(&mut self.open).into_iter().enumerate() {
            match (open.asked == switch, Some(place) == newest, open.would) {
                (false, _, _) => others.push_back(open),
                (true, true, _) | (true, false, Would::Switch | Would::SwitchSoon) => {
                    out.push(open.paired(open.changed(), Some((now, false))));
                }
                (true, false, Would::Leave) => out.push(open.paired(Meanwhile::Agrees, None)),
            }
        }
        self.open = others;
    }

    /// Decisions whose time was over before now, while the outlet stood like this.
    fn close(&mut self, now: Moment, outlet: Option<Switch>, out: &mut Vec<Paired>) {
        while let Some(over) = self.open.pop_front_if(|open| open.is_over(now)) {
            out.push(over.paired(over.left_at(outlet), None));
        }
    }

    /// The incident that no request can belong to any more.
    fn release(&mut self) -> Option<IncidentTold> {
        let early = self.early.take()?;
        self.untold = None;
        Some(early.told)
    }
}

const fn switched_by(kind: IncidentKind) -> Option<Switch> {
    match kind {
        IncidentKind::OnByAnotherRoute => Some(Switch::On),
        IncidentKind::OffByAnotherRoute => Some(Switch::Off),
        IncidentKind::NotConfirmed | IncidentKind::StillDrawing => None,
    }
}

/// Nothing for what switches nothing, and for an emergency.
fn asked_for(kind: RequestKind, outlet: Option<Switch>) -> Option<Switch> {
    match kind {
        RequestKind::On => Some(Switch::On),
        RequestKind::Off | RequestKind::ForceOff | RequestKind::OffOnceIdle => Some(Switch::Off),
        RequestKind::Flip => Some(if outlet == Some(Switch::Off) { Switch::On } else { Switch::Off }),
        RequestKind::Cancel
        | RequestKind::KeepOn
        | RequestKind::Lock
        | RequestKind::Serviced
        | RequestKind::Unlock
        | RequestKind::EmergencyOff => None,
    }
}

/// A request and its answer.
pub(super) struct ShadowAnswer {
    pub(super) input: InputId,
    pub(super) request: RequestKind,
    pub(super) decision: Decision,
    pub(super) reason: Option<Reason>,
}

impl Engine {
    /// A request was decided in shadow mode; what was done in earnest is not compared.
    pub(super) fn pair_decision(
        &mut self,
        now: Now,
        index: MachineIx,
        answered: &ShadowAnswer,
        out: &mut Vec<Effect>,
    ) {
        let ShadowAnswer { input, request, decision, reason } = *answered;
        if !self.machines[index].guard.policy().shadow {
            return;
        }
        if request == RequestKind::EmergencyOff && decision == Decision::Acted {
            return self.give_up_pairing(now, index, out);
        }
        let mut paired = Vec::new();
        let input_name = self.names.input_name(input);
        let waits = self.plan.input(input_name.as_str()).map(|(_, input)| input.rights.when_busy);
        let machine = &mut self.machines[index];
        let outlet = machine.guard.outlet();
        machine.pairing.close(now.moment, outlet, &mut paired);
        let Some(asked) = asked_for(request, outlet) else {
            return self.note_paired(now, index, paired, out);
        };
        let would = match (decision, reason) {
            (Decision::Acted, _) => Would::Switch,
            (Decision::Deferred, Some(Reason::NoticeRunning)) => Would::SwitchSoon,
            (Decision::Held | Decision::Deferred | Decision::Refused | Decision::NothingToDo, _) => {
                Would::Leave
            }
            (Decision::Ignored, _) => return self.note_paired(now, index, paired, out),
        };
        let mut open = OpenDecision { at: now, input: input_name, request, decision, asked, would, outlet };
        let may_be_late = decision == Decision::NothingToDo || request == RequestKind::Flip;
        let early = machine.pairing.early.take_if(|early| {
            let fits = request == RequestKind::Flip || early.to == asked;
            may_be_late && fits && now.moment.since(early.at.moment) < TOGETHER
        });
        if let Some(early) = early {
            // It was switched before we had decided: what would have been is known from how it stood then.
            open.asked = early.to;
            (open.would, open.decision) = match (early.held, waits) {
                (false, _) => (Would::Switch, Decision::Acted),
                (true, Some(WhenBusy::Defer)) => (Would::Leave, Decision::Deferred),
                (true, Some(WhenBusy::Hold) | None) => (Would::Leave, Decision::Held),
            };
            paired.push(open.paired(open.changed(), Some((early.at.moment, true))));
            self.no_outage_of(index);
        } else if decision != Decision::NothingToDo {
            machine.pairing.decided(open, &mut paired);
        }
        self.note_paired(now, index, paired, out);
    }

    /// Whether an incident of this machine would answer a decision that was made in shadow mode.
    pub(super) fn is_awaited(&self, now: Moment, index: MachineIx, kind: IncidentKind) -> bool {
        let machine = &self.machines[index];
        switched_by(kind).is_some_and(|switch| machine.pairing.awaits(now, switch))
    }

    /// An incident, unless it answers a press in shadow mode, or may do so yet.
    pub(super) fn tell_or_pair(
        &mut self,
        now: Now,
        index: MachineIx,
        told: IncidentTold,
        out: &mut Vec<Effect>,
    ) {
        let machine = &mut self.machines[index];
        let may_pair = |switch: &Switch| {
            // Under a lockout nobody may switch it on, whatever was asked for.
            let forbidden = *switch == Switch::On && machine.guard.lockout().is_some();
            machine.guard.policy().shadow && !forbidden
        };
        let Some(switch) = switched_by(told.kind).filter(may_pair) else {
            return out.push(Effect::Incident(told));
        };
        let mut paired = Vec::new();
        let before = match switch {
            Switch::On => Switch::Off,
            Switch::Off => Switch::On,
        };
        machine.pairing.close(now.moment, Some(before), &mut paired);
        machine.pairing.untold = Some(told.kind);
        if machine.pairing.awaits(now.moment, switch) {
            machine.pairing.changed(now.moment, switch, &mut paired);
        } else {
            let held = switch == Switch::Off && !machine.pairing.was_clear;
            machine.pairing.early = Some(EarlyChange { at: now, to: switch, held, told });
        }
        self.note_paired(now, index, paired, out);
    }

    /// The end of an incident, if it was told.
    pub(super) fn tell_end(&mut self, index: MachineIx, told: IncidentTold, out: &mut Vec<Effect>) {
        let pairing = &mut self.machines[index].pairing;
        if !pairing.hides(told.kind) {
            return out.push(Effect::IncidentOver(told));
        }
        pairing.untold = None;
        // It was undone before its time was over: somebody may have lost power for a moment.
        if let Some(early) = pairing.early.take() {
            out.extend([Effect::Incident(early.told), Effect::IncidentOver(told)]);
        }
    }

    /// What happens now has nothing to do with what was decided in shadow mode.
    fn give_up_pairing(&mut self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
        let pairing = &mut self.machines[index].pairing;
        out.extend(pairing.release().map(Effect::Incident));
        let open = std::mem::take(&mut pairing.open);
        let unseen = open.iter().map(|open| open.paired(Meanwhile::Unseen, None)).collect();
        self.note_paired(now, index, unseen, out);
    }

    /// Decisions that nothing followed, and an incident that followed none.
    pub(super) fn look_at_pairing(&mut self, now: Now, index: MachineIx, out: &mut Vec<Effect>) {
        let machine = &mut self.machines[index];
        if machine.pairing.deadline().is_none_or(|due| due > now.moment) {
            return;
        }
        let mut paired = Vec::new();
        machine.pairing.close(now.moment, machine.guard.outlet(), &mut paired);
        machine.note_paired(now, paired, out);
        let is_told = self.is_lost_with_others(index);
        let pairing = &mut self.machines[index].pairing;
        match pairing.early.take_if(|early| now.moment.since(early.at.moment) >= TOGETHER) {
            Some(early) if !is_told => {
                pairing.untold = None;
                out.push(Effect::Incident(early.told));
            }
            // It was told together with the others, and so is its end.
            Some(_) | None => {}
        }
    }

    fn note_paired(&self, now: Now, index: MachineIx, paired: Vec<Paired>, out: &mut Vec<Effect>) {
        self.machines[index].note_paired(now, paired, out);
    }
}

impl super::machine::MachineState {
    /// Nobody will see what follows. A decision without an end is compared later, by whoever reads the journal.
    pub(super) fn end_pairing(&mut self, out: &mut Vec<Effect>) {
        out.extend(self.pairing.release().map(Effect::Incident));
        self.pairing = Pairing::default();
    }

    fn note_paired(&self, now: Now, paired: Vec<Paired>, out: &mut Vec<Effect>) {
        let machine = &self.rules().name;
        let noted = |paired| Noted { at: now, machine: machine.clone(), what: Note::Paired(paired) };
        out.extend(paired.into_iter().map(|paired| Effect::Noted(noted(paired))));
    }
}
