//! From what one machine's guard wants done to what the world has to be told.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Announced, Decided, Effect, IncidentTold, Order, Why};
use super::pairing::ShadowAnswer;
use super::{forcing, lock_book};
use idlegate_guard::time::Now;
use idlegate_guard::{self as guard, Announcement, Answer, IncidentKind, InputId, RequestKind, Switch};
use idlegate_plan::event::Name;
use idlegate_plan::{MachineIx, Plan};

/// What whoever locks a machine should know.
const QUIET: &str = "Until it is unlocked, its incidents are recorded and not announced, except urgent ones";

/// An input and a person, as far as they are known.
type Asker = (Option<Arc<str>>, Option<Arc<str>>);

impl Engine {
    pub(super) fn translate(
        &mut self,
        now: Now,
        index: MachineIx,
        acts: &[guard::Effect],
        out: &mut Vec<Effect>,
    ) {
        let mut after_keep = false;
        // What was answered last; an announcement that follows may be about it.
        let mut answered = None;
        let mut ordered = false;
        let in_group = self.asked_in_group(index, acts);
        // An off that is really sent, and who asked for it.
        let (mut off, mut asked) = (None, (None, None));
        for act in acts {
            match *act {
                guard::Effect::Order(order) => {
                    ordered = true;
                    if order.switch == Switch::Off && !order.shadow {
                        off = Some(order.cause);
                    }
                    self.machines[index].foreign_orders.ordered(now.moment, order.switch);
                    let guard::Order { switch, cause, resend, shadow } = order;
                    let machine = self.machine_name(index);
                    out.push(Effect::Order(Order { machine, switch, cause, resend, shadow }));
                }
                guard::Effect::Refresh => {
                    out.push(Effect::Refresh { machine: self.machine_name(index), signal: None })
                }
                guard::Effect::Keep(kept) => {
                    after_keep = true;
                    self.machines[index].kept_on_by = kept.kept_on.map(|kept| self.input_title(kept.by));
                    out.push(Effect::Keep(self.kept(now, index, &kept)));
                }
                guard::Effect::Answer(answer) => {
                    answered = Some(answer);
                    asked = self.tell_answer(now, index, &answer, after_keep, out).unwrap_or(asked);
                }
                guard::Effect::DeferralActed(deferral) => {
                    asked = self.tell_deferral(now, index, deferral.by, out);
                }
                guard::Effect::Announce(what) => {
                    let group = in_group.filter(|(_, input)| is_said_of_group(what, *input));
                    if let Some((ask, _)) = group {
                        self.groups.announce(now.moment, ask, what);
                        continue;
                    }
                    let announced = self.announced(now, index, what, answered);
                    out.push(Effect::Announce(Box::new(announced)));
                }
                guard::Effect::Incident(incident) => {
                    let mut told = self.incident(now, index, incident.kind, incident.urgent);
                    let word = incident.kind.word();
                    told.quiet = self.machines[index].keeps_quiet(word, incident.urgent, false);
                    self.tell_or_pair(now, index, told, out);
                }
                guard::Effect::IncidentOver(kind) => {
                    let mut told = self.incident(now, index, kind, false);
                    told.retried = ordered && kind == IncidentKind::NotConfirmed;
                    told.quiet = self.machines[index].keeps_quiet(kind.word(), false, true);
                    self.tell_end(index, told, out);
                }
            }
        }
        if let Some(cause) = off {
            self.off_was_sent(now, index, cause, asked, out);
        }
    }

    /// Who asked, if it was done.
    fn tell_answer(
        &mut self,
        now: Now,
        index: MachineIx,
        answer: &Answer,
        after_keep: bool,
        out: &mut Vec<Effect>,
    ) -> Option<Asker> {
        let noted = self.note_service(now, index, answer, out);
        let group = self.machines[index].asked.get(&answer.request).and_then(|asked| asked.group.clone());
        let mut decided = self.decided(now, index, answer, after_keep || noted.is_some());
        decided.against = noted.or(decided.against);
        if let Some((ask, group)) = group {
            decided.group = Some(group);
            self.groups.gather(ask, &decided);
        }
        let asker = (Some(decided.input.as_str().into()), decided.who.clone());
        out.push(Effect::Decided(Box::new(decided)));
        let Answer { input, kind: request, decision, reason, .. } = *answer;
        let answered = ShadowAnswer { input, request, decision, reason: Some(reason) };
        self.pair_decision(now, index, &answered, out);
        (decision == guard::Decision::Acted).then_some(asker)
    }

    fn tell_deferral(&mut self, now: Now, index: MachineIx, by: InputId, out: &mut Vec<Effect>) -> Asker {
        let decided = self.deferral_decided(now, index, by);
        let asker = (Some(decided.input.as_str().into()), None);
        out.push(Effect::Decided(Box::new(decided)));
        let (input, request) = (by, RequestKind::OffOnceIdle);
        let answered = ShadowAnswer { input, request, decision: guard::Decision::Acted, reason: None };
        self.pair_decision(now, index, &answered, out);
        asker
    }

    pub(super) fn machine_name(&self, index: MachineIx) -> Name {
        self.machines[index].rules().name.clone()
    }

    fn decided(&mut self, now: Now, index: MachineIx, answer: &Answer, after_keep: bool) -> Decided {
        let against = self.against(now, index, answer.input, answer.reason);
        let (input, why) = (self.names.input_name(answer.input), Why::Guard(answer.reason));
        let machine = &mut self.machines[index];
        let asked = machine.asked.remove(&answer.request);
        let (gesture, event_id, reply, who) = match asked {
            Some(asked) => (Some(asked.gesture), asked.event_id, asked.reply, asked.who),
            None => (None, None, None, None),
        };
        let (name, title) = machine.names();
        Decided {
            machine: Some(name),
            title: Some(title),
            gesture,
            request: Some(answer.kind),
            event_id,
            against,
            grounds: machine.grounds(now.moment),
            reply,
            who,
            confirm: answer.confirm,
            after_keep,
            // A declared emergency acts all the same.
            shadow: machine.guard.policy().shadow && answer.kind != guard::RequestKind::EmergencyOff,
            ..Decided::new(now, input, answer.decision, why, &self.rules_digest)
        }
    }

    fn deferral_decided(&self, now: Now, index: MachineIx, by: InputId) -> Decided {
        let machine = &self.machines[index];
        let (name, title) = machine.names();
        let (input, decision) = (self.names.input_name(by), guard::Decision::Acted);
        Decided {
            machine: Some(name),
            title: Some(title),
            request: Some(guard::RequestKind::OffOnceIdle),
            grounds: machine.grounds(now.moment),
            shadow: machine.guard.policy().shadow,
            ..Decided::new(now, input, decision, Why::DeferralDue, &self.rules_digest)
        }
    }

    pub(super) fn announced(
        &self,
        now: Now,
        index: MachineIx,
        what: Announcement,
        answered: Option<Answer>,
    ) -> Announced {
        let machine = &self.machines[index];
        Announced {
            at: now,
            machine: machine.rules().name.clone(),
            title: machine.title.clone(),
            others: Vec::new(),
            all: false,
            out_of_sight: match (what, machine.guard.outlet()) {
                (Announcement::EmergencyOff { .. }, None) => vec![machine.title.clone()],
                _ => Vec::new(),
            },
            left_behind: match what {
                Announcement::Forced { .. } | Announcement::EmergencyOff { .. } => {
                    machine.others.left_behind(now.moment, machine.rules()).into_iter().collect()
                }
                _ => Vec::new(),
            },
            what,
            input: what
                .input()
                .map(|input| (self.names.input_name(input), self.who_asks(index, what, input))),
            reasons: match what {
                Announcement::LockLifted { .. } => vec![self.holders(index)],
                Announcement::Refused { reason: guard::Reason::OnPermitMissing, .. } => {
                    machine.reasons_against_on(now.moment)
                }
                Announcement::Refused {
                    input,
                    reason:
                        reason @ (guard::Reason::CircuitFull
                        | guard::Reason::Lockout
                        | guard::Reason::MayNotUnlock
                        | guard::Reason::OutOfHours
                        | guard::Reason::MayNotForce
                        | guard::Reason::ContactPushed
                        | guard::Reason::OnNotFromHere),
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
                Announcement::SaysOff { input, .. } | Announcement::LetGo { input, .. } => {
                    Some(self.how_to_force(index, input, true))
                }
                Announcement::Refused { input, .. } => Some(self.how_to_force(index, input, false)),
                _ => None,
            },
            clears_in: machine.permissive().clears_in,
            job: None,
            power: None,
            shadow: machine.guard.policy().shadow && what.traits().only_would_be,
        }
    }

    fn how_to_force(&self, index: MachineIx, input: InputId, again: bool) -> Arc<str> {
        let name = self.names.input_name(input);
        let input = self.plan.input(name.as_str()).map(|(_, input)| input);
        forcing::how(&self.plan, index, input, again)
    }

    /// What stands against a request, where it is a sum, a time of day or a matter of which input is used.
    fn against(&self, now: Now, index: MachineIx, input: InputId, reason: guard::Reason) -> Option<Arc<str>> {
        match reason {
            guard::Reason::CircuitFull => self.load(now.moment, index).map(|load| load.to_string().into()),
            guard::Reason::ContactPushed => {
                let pushed = self.machines[index].guard.pushed()?;
                Some(format!("{} is still pushed in", self.input_title(pushed)).into())
            }
            guard::Reason::Locked if self.machines[index].guard.locks().is_maintenance() => {
                Some(QUIET.into())
            }
            guard::Reason::Unlocked => self.machines[index].kept_quiet(),
            guard::Reason::LockLifted => Some(self.holders(index)),
            guard::Reason::Lockout
                if self.machines[index].locks.is_told(self.machines[index].guard.locks()) =>
            {
                Some(format!("it is locked by {}", self.holders(index)).into())
            }
            guard::Reason::MayNotUnlock if !self.machines[index].guard.locks().is_empty() => {
                let title = self.input_title(input);
                Some(
                    format!(
                        "it is locked by {}, and {title} may not lift the locks of others",
                        self.holders(index)
                    )
                    .into(),
                )
            }
            guard::Reason::OnNotFromHere => Some(forcing::who_may_switch_on(&self.plan, index)),
            guard::Reason::OutOfHours => self.hours_clause(now, &self.names.input_name(input)),
            guard::Reason::MayNotForce => {
                let (title, how) = (self.input_title(input), self.how_to_force(index, input, false));
                Some(format!("{title} may not force it off; {how}").into())
            }
            _ => None,
        }
    }

    /// Who has locked it, and why.
    fn holders(&self, index: MachineIx) -> Arc<str> {
        let machine = &self.machines[index];
        let locks = machine.locks.status(machine.guard.locks(), &self.names);
        lock_book::holders(&locks, |by| title_of(&self.plan, by.as_str())).into()
    }

    /// The input, or the person there where that is what counts.
    fn who_asks(&self, index: MachineIx, what: Announcement, input: InputId) -> Arc<str> {
        match (what, &self.machines[index].asks_as) {
            (
                Announcement::Locked { .. } | Announcement::Unlocked { .. } | Announcement::LockLifted { .. },
                Some(words),
            ) => words.clone(),
            _ => self.input_title(input),
        }
    }

    pub(super) fn input_title(&self, input: InputId) -> Arc<str> {
        if input == InputId::IDLE_TIMER {
            return "the idle timer".into();
        }
        title_of(&self.plan, self.names.input_name(input).as_str())
    }

    /// Somebody has said that a service was done: it counts from now on, which is kept before they are answered. How
    /// it stood before.
    fn note_service(
        &mut self,
        now: Now,
        index: MachineIx,
        answer: &Answer,
        out: &mut Vec<Effect>,
    ) -> Option<Arc<str>> {
        if answer.reason != guard::Reason::Serviced {
            return None;
        }
        let machine = &mut self.machines[index];
        if machine.guard.policy().shadow {
            return None;
        }
        let asked = machine.asked.get(&answer.request)?.clone();
        let wanted = asked.service?;
        let service = machine.rules().services.iter().find(|service| service.name == wanted)?.clone();
        let before = machine.services.done(now, &service, &asked.input, asked.who.as_ref())?;
        out.push(Effect::Keep(machine.written_down(&machine.guard.kept(), &self.names, now)));
        Some(format!("noted that {}. Before that it was {}", service.done, before.words).into())
    }

    fn incident(&self, now: Now, index: MachineIx, kind: guard::IncidentKind, urgent: bool) -> IncidentTold {
        let machine = &self.machines[index];
        IncidentTold {
            at: now,
            machine: machine.rules().name.clone(),
            title: machine.title.clone(),
            others: Vec::new(),
            kind,
            urgent,
            reasons: machine.reasons(now.moment),
            behind: machine.behind(now.moment),
            retried: false,
            quiet: false,
        }
    }
}

/// Told of all machines of a group at once, by its answer. What has another cause is told as ever.
fn is_said_of_group(what: Announcement, asked_by: InputId) -> bool {
    matches!(
        what,
        Announcement::Deferred { input }
        | Announcement::DeferralNotice { input, .. }
        | Announcement::DeferralCancelled { input: Some(input) }
        | Announcement::KeepOnOver { input: Some(input) }
        | Announcement::Refused { input, .. }
        if input == asked_by
    )
}

/// As people call the input; by its name once it has left the rules.
pub(super) fn title_of(plan: &Plan, input: &str) -> Arc<str> {
    plan.input(input).map_or(input, |(_, input)| input.title.as_str()).into()
}
