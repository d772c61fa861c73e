//! From what one machine's guard wants done to what the world has to be told.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Announced, Decided, Effect, IncidentTold, Order, Why};
use super::{forcing, kept};
use crate::event::Name;
use crate::guard::{self, Announcement, Answer, IncidentKind, InputId, RequestKind};
use crate::time::Now;

impl Engine {
    pub(super) fn translate(
        &mut self,
        now: Now,
        index: usize,
        acts: &[guard::Effect],
        out: &mut Vec<Effect>,
    ) {
        let mut after_keep = false;
        // What was answered last; an announcement that follows may be about it.
        let mut answered = None;
        let mut ordered = false;
        for act in acts {
            match *act {
                guard::Effect::Order(order) => {
                    ordered = true;
                    out.push(Effect::Order(Order {
                        machine: index,
                        name: self.machine_name(index),
                        switch: order.switch,
                        cause: order.cause,
                        resend: order.resend,
                        shadow: order.shadow,
                    }));
                }
                guard::Effect::Refresh => out.push(Effect::Refresh { machine: index }),
                guard::Effect::Keep(kept) => {
                    after_keep = true;
                    let name = self.machine_name(index);
                    out.push(Effect::Keep(kept::write_down(&name, &kept, &self.names, now)));
                }
                guard::Effect::Answer(answer) => {
                    answered = Some(answer);
                    let decided = self.decided(now, index, &answer, after_keep);
                    out.push(Effect::Decided(Box::new(decided)));
                }
                guard::Effect::DeferralActed(deferral) => {
                    let decided = self.deferral_decided(now, index, deferral.by);
                    out.push(Effect::Decided(Box::new(decided)));
                }
                guard::Effect::Announce(what) => {
                    let announced = self.announced(now, index, what, answered);
                    out.push(Effect::Announce(Box::new(announced)));
                }
                guard::Effect::Incident(incident)
                    if incident.kind == IncidentKind::OffByAnotherRoute
                        && !self.went_off(now, index, incident.urgent) => {}
                guard::Effect::IncidentOver(IncidentKind::OffByAnotherRoute) if !self.came_back(index) => {}
                guard::Effect::Incident(incident) => {
                    out.push(Effect::Incident(self.incident(now, index, incident.kind, incident.urgent)));
                }
                guard::Effect::IncidentOver(kind) => {
                    let mut told = self.incident(now, index, kind, false);
                    told.retried = ordered && kind == IncidentKind::NotConfirmed;
                    out.push(Effect::IncidentOver(told));
                }
            }
        }
    }

    fn machine_name(&self, index: usize) -> Name {
        self.machines[index].rules().name.clone()
    }

    fn decided(&mut self, now: Now, index: usize, answer: &Answer, after_keep: bool) -> Decided {
        let against = self.against(now, index, answer.input, answer.reason);
        let machine = &mut self.machines[index];
        let asked = machine.asked.remove(&answer.request);
        let (gesture, event_id, reply) = match asked {
            Some(asked) => (Some(asked.gesture), asked.event_id, asked.reply),
            None => (None, None, None),
        };
        Decided {
            at: now,
            machine: Some(machine.rules().name.clone()),
            title: Some(machine.title.clone()),
            input: self.names.input_name(answer.input),
            gesture,
            request: Some(answer.kind),
            event_id,
            decision: answer.decision,
            why: Why::Guard(answer.reason),
            against,
            grounds: machine.grounds(now.moment),
            reply,
            after_keep,
            rules: self.rules_digest.clone(),
        }
    }

    fn deferral_decided(&self, now: Now, index: usize, by: InputId) -> Decided {
        let machine = &self.machines[index];
        Decided {
            at: now,
            machine: Some(machine.rules().name.clone()),
            title: Some(machine.title.clone()),
            input: self.names.input_name(by),
            gesture: None,
            request: Some(guard::RequestKind::OffOnceIdle),
            event_id: None,
            decision: guard::Decision::Acted,
            why: Why::DeferralDue,
            against: None,
            grounds: machine.grounds(now.moment),
            reply: None,
            after_keep: false,
            rules: self.rules_digest.clone(),
        }
    }

    fn announced(&self, now: Now, index: usize, what: Announcement, answered: Option<Answer>) -> Announced {
        let machine = &self.machines[index];
        Announced {
            at: now,
            machine: machine.rules().name.clone(),
            title: machine.title.clone(),
            what,
            input: what.input().map(|input| (self.names.input_name(input), self.input_title(input))),
            reasons: match what {
                Announcement::Refused { reason: guard::Reason::OnPermitMissing, .. } => {
                    machine.reasons_against_on(now.moment)
                }
                Announcement::Refused {
                    input,
                    reason:
                        reason @ (guard::Reason::CircuitFull
                        | guard::Reason::OutOfHours
                        | guard::Reason::MayNotForce),
                    ..
                } => self.against(now, index, input, reason).into_iter().collect(),
                _ => machine.reasons(now.moment),
            },
            behind: machine.behind(now.moment),
            how: match what {
                Announcement::Held { input, .. } => {
                    let forced =
                        |answer: Answer| answer.input == input && answer.kind == RequestKind::ForceOff;
                    Some(self.how_to_force(index, input, answered.is_some_and(forced)))
                }
                Announcement::Refused { input, .. } => Some(self.how_to_force(index, input, false)),
                _ => None,
            },
            clears_in: machine.permissive().clears_in,
        }
    }

    fn how_to_force(&self, index: usize, input: InputId, again: bool) -> Arc<str> {
        let name = self.names.input_name(input);
        let input = self.plan.input(name.as_str()).map(|(_, input)| input);
        forcing::how(&self.plan, index, input, again)
    }

    /// What stands against a request, where it is a sum, a time of day or a matter of which input is used.
    fn against(&self, now: Now, index: usize, input: InputId, reason: guard::Reason) -> Option<Arc<str>> {
        match reason {
            guard::Reason::CircuitFull => self.load(now.moment, index).map(|load| load.to_string().into()),
            guard::Reason::OutOfHours => self.hours_clause(now, &self.names.input_name(input)),
            guard::Reason::MayNotForce => {
                let (title, how) = (self.input_title(input), self.how_to_force(index, input, false));
                Some(format!("{title} may not force it off; {how}").into())
            }
            _ => None,
        }
    }

    fn input_title(&self, input: InputId) -> Arc<str> {
        if input == InputId::IDLE_TIMER {
            return "the idle timer".into();
        }
        let name = self.names.input_name(input);
        match self.plan.input(name.as_str()) {
            Some((_, input)) => input.title.as_str().into(),
            None => name.as_str().into(),
        }
    }

    fn incident(&self, now: Now, index: usize, kind: guard::IncidentKind, urgent: bool) -> IncidentTold {
        let machine = &self.machines[index];
        IncidentTold {
            at: now,
            machine: machine.rules().name.clone(),
            title: machine.title.clone(),
            kind,
            urgent,
            reasons: machine.reasons(now.moment),
            behind: machine.behind(now.moment),
            retried: false,
        }
    }
}
