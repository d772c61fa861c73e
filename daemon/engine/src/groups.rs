//! Several machines asked at once: everything off at night. Each of them is asked as if it had been asked alone, with
//! the rights of the very input, and judged by its own guard. What is gathered here is what became of it, for one
//! answer and one announcement.
//!
//! Nothing here orders, holds or forces anything, and no machine waits for another.

use std::collections::VecDeque;
use std::sync::Arc;

use super::core::Engine;
use super::effect::{Decided, Effect, Reply, Why};
use super::inputs::{PERSON_CHARS_MAX, Refusal, arrival_of, event_key, nearest, said_of};
use super::machine::Asked;
use crate::intake::ParsedRequest;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{
    self as guard, Announcement, Arrival, Decision, InputId, Phase, Reason, RequestKind, Rights, Switch,
    WhenBusy,
};
use idlegate_plan::event::{Line, Message, Name};
use idlegate_plan::{self as plan, Gesture, GroupIx, InputIx, MachineIx, text};

/// The answer waits no longer than this for readings of a machine, or for its outlet to say that it is off.
const ANSWERED_WITHIN: Span = Span::secs(2);
/// More than hands can ask for in that time. The oldest is then answered as it stands.
const OPEN_MAX: usize = 64;

/// Numbers the requests to groups.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct GroupAsk(u64);

/// Those that are not answered yet, the oldest first.
#[derive(Debug, Default)]
pub(super) struct Groups {
    open: VecDeque<Open>,
    asked: u64,
}

#[derive(Debug)]
struct Open {
    ask: GroupAsk,
    until: Moment,
    told: GroupAnswered,
}

/// What became of a request to a group.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupAnswered {
    pub at: Now,
    /// Name and title.
    pub group: (Name, Arc<str>),
    /// Name and title.
    pub input: (Name, Arc<str>),
    pub request: RequestKind,
    pub gesture: Name,
    pub event_id: Option<Arc<str>>,
    pub reply: Option<Reply>,
    /// Who asked, by the sender's word: shown, and never believed.
    pub who: Option<Arc<str>>,
    /// In the order of the rules.
    pub members: Vec<GroupMember>,
    /// Something is done or will be, or was refused: to be heard near the machines.
    pub aloud: bool,
    /// SHA-256 of the rules it was asked under.
    pub rules: Arc<str>,
}

/// One machine of the group, and how it stands when the group is answered.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupMember {
    pub machine: Name,
    pub title: Arc<str>,
    /// Nothing while it waits for readings.
    pub decided: Option<Box<Decided>>,
    pub outlet: Option<Switch>,
    /// It is idle, and goes off in that time unless somebody cancels.
    pub acts_in: Option<Span>,
    /// Titles of the machines that need it, where nothing else holds it.
    pub follows: Vec<Arc<str>>,
    pub clears_in: Option<Span>,
}

impl GroupAnswered {
    /// How long there is to cancel what comes first.
    pub fn window(&self) -> Option<Span> {
        self.members.iter().filter_map(|member| member.acts_in).min()
    }

    /// It is to be relied on only once what was kept for it is on disk.
    pub fn after_keep(&self) -> bool {
        self.members.iter().filter_map(|member| member.decided.as_ref()).any(|decided| decided.after_keep)
    }
}

/// What is asked of a group, and by whom.
pub(super) struct GroupRequest {
    pub(super) input: InputIx,
    pub(super) group: GroupIx,
    pub(super) kind: RequestKind,
    pub(super) asked: Asked,
    pub(super) arrival: Arrival,
}

/// A message in which somebody asks.
#[derive(Clone, Copy)]
pub(super) struct Heard<'a> {
    pub(super) input: InputIx,
    pub(super) message: &'a Message,
    pub(super) line: Line,
}

impl Groups {
    fn begin(&mut self, now: Moment, told: GroupAnswered) -> GroupAsk {
        self.asked += 1;
        let ask = GroupAsk(self.asked);
        self.open.push_back(Open { ask, until: now + ANSWERED_WITHIN, told });
        ask
    }

    fn asked(&mut self, ask: GroupAsk) -> Option<&mut Open> {
        self.open.iter_mut().find(|open| open.ask == ask)
    }

    pub(super) fn gather(&mut self, ask: GroupAsk, decided: &Decided) {
        let Some(open) = self.asked(ask) else { return };
        open.told.aloud |= decided.decision == Decision::Acted;
        let its = |member: &&mut GroupMember| Some(&member.machine) == decided.machine.as_ref();
        if let Some(member) = open.told.members.iter_mut().find(its) {
            member.decided = Some(Box::new(decided.clone()));
        }
    }

    /// What would be announced of one machine is said of the group.
    pub(super) fn announce(&mut self, now: Moment, ask: GroupAsk, what: Announcement) {
        let Some(open) = self.asked(ask) else { return };
        open.told.aloud = true;
        // Whoever is to cancel needs the time that there is.
        if matches!(what, Announcement::DeferralNotice { .. }) {
            open.until = open.until.min(now);
        }
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        self.open.iter().map(|open| open.until).min()
    }
}

/// What a group is never asked for. It is not forced, it is not switched on, and whatever is between somebody and one
/// machine stays there.
fn is_for_groups(kind: RequestKind) -> bool {
    match kind {
        RequestKind::Off | RequestKind::OffOnceIdle | RequestKind::Cancel => true,
        RequestKind::On
        | RequestKind::Flip
        | RequestKind::ForceOff
        | RequestKind::KeepOn
        | RequestKind::Lock
        | RequestKind::Unlock
        | RequestKind::Serviced
        | RequestKind::EmergencyOff => false,
    }
}

/// With these rights a group is asked: what is busy goes off once it is idle, since nobody stands beside all of them.
pub(super) fn rights_for_groups(rights: Rights) -> Rights {
    Rights { when_busy: WhenBusy::Defer, ..rights }
}

impl Engine {
    /// A request on our own topic for the group of this name.
    pub(super) fn group_request(
        &mut self,
        now: Now,
        heard: Heard<'_>,
        name: &str,
        parsed: &ParsedRequest,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[heard.input];
        let kind = parsed.request;
        let event_id: Option<Arc<str>> = parsed.id.as_deref().map(|id| event_key(id).into());
        let found = plan.group(name);
        if found.is_none() && plan.shop.elsewhere.contains(&text::fold(name)) {
            return;
        }
        let objection = match found {
            None => Some(unknown_group(&plan, name)),
            Some((group, _)) => objection(&plan, input, group, kind),
        };
        let group = match (found, objection) {
            (Some((group, _)), None) => group,
            (_, objection) => {
                let why = objection.expect("what is not found is objected to");
                return self.refuse_group(now, heard, kind, event_id, why, out);
            }
        };
        let word = || Name::new(kind.word()).expect("every request's word is a name");
        // Two groups in a row are two gestures.
        let gesture = Name::new(&format!("{}-{name}", kind.word())).unwrap_or_else(|_| word());
        let asked = Asked {
            reply: self.reply_to(now, input, heard.message, out),
            who: parsed.who.as_deref().and_then(|who| said_of(who, PERSON_CHARS_MAX)),
            ..Asked::plain(input.name.clone(), gesture, event_id)
        };
        let arrival = arrival_of(input, heard.message);
        self.ask_group(now, GroupRequest { input: heard.input, group, kind, asked, arrival }, out);
    }

    /// Somebody who names machines in words of their own has named a group.
    pub(super) fn group_said(
        &mut self,
        now: Now,
        heard: Heard<'_>,
        group: GroupIx,
        gesture: &Gesture,
        event_id: Option<Arc<str>>,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[heard.input];
        let kind = gesture.request;
        if let Some(why) = objection(&plan, input, group, kind) {
            return self.refuse_group(now, heard, kind, event_id, why, out);
        }
        let asked = self.asked(now, input, gesture, event_id, heard.message, out);
        let arrival = arrival_of(input, heard.message);
        self.ask_group(now, GroupRequest { input: heard.input, group, kind, asked, arrival }, out);
    }

    fn refuse_group(
        &mut self,
        now: Now,
        heard: Heard<'_>,
        kind: RequestKind,
        event_id: Option<Arc<str>>,
        why: Why,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[heard.input];
        if !self.may_be_refused(now, input, kind, heard.line) {
            return;
        }
        // Somebody speaks, or thinks that there is an emergency: they do not read an answer.
        if input.names_machines() || kind == RequestKind::EmergencyOff {
            self.tell_not_understood(now, input, heard.message, &why, out);
        }
        let refusal = Refusal { machine: None, request: Some(kind), event_id };
        self.refuse(now, input, refusal, why, heard.message, out);
    }

    fn ask_group(&mut self, now: Now, request: GroupRequest, out: &mut Vec<Effect>) {
        let GroupRequest { input: index, group, kind, mut asked, arrival } = request;
        let plan = self.plan.clone();
        let (input, group) = (&plan.inputs[index], &plan.groups[group]);
        let known = self.is_answered(now, kind, input.rights, &asked);
        while self.groups.open.len() >= OPEN_MAX {
            self.answer_oldest_group(now, out);
        }
        let told = GroupAnswered {
            at: now,
            group: (group.name.clone(), group.title.as_str().into()),
            input: (input.name.clone(), input.title.as_str().into()),
            request: kind,
            gesture: asked.gesture.clone(),
            event_id: asked.event_id.clone(),
            // It has one answer, and each machine its decision.
            reply: asked.reply.take(),
            who: asked.who.clone(),
            members: group.machines.iter().map(|machine| self.member(*machine)).collect(),
            aloud: false,
            rules: self.rules_digest.clone(),
        };
        let ask = self.groups.begin(now.moment, told);
        asked.group = Some((ask, group.name.clone()));
        for machine in &group.machines {
            let at_once = match known {
                _ if !input.machines.contains(machine) => self.not_allowed(now, *machine, kind, &asked),
                Some(age) => self.duplicate(now, *machine, kind, &asked, age),
                None => {
                    self.ask(now, *machine, index, kind, asked.clone(), arrival, out);
                    continue;
                }
            };
            let at_once = Decided { group: Some(group.name.clone()), ..at_once };
            self.groups.gather(ask, &at_once);
            out.push(Effect::Decided(Box::new(at_once)));
        }
    }

    fn member(&self, machine: MachineIx) -> GroupMember {
        let (machine, title) = self.machines[machine].names();
        GroupMember {
            machine,
            title,
            decided: None,
            outlet: None,
            acts_in: None,
            follows: Vec::new(),
            clears_in: None,
        }
    }

    fn not_allowed(&self, now: Now, machine: MachineIx, kind: RequestKind, asked: &Asked) -> Decided {
        let (name, title) = self.machines[machine].names();
        let (input, why) = (asked.input.clone(), Why::MachineNotAllowed);
        Decided {
            machine: Some(name),
            title: Some(title),
            gesture: Some(asked.gesture.clone()),
            request: Some(kind),
            event_id: asked.event_id.clone(),
            who: asked.who.clone(),
            shadow: self.machines[machine].guard.policy().shadow,
            ..Decided::new(now, input, Decision::Refused, why, &self.rules_digest)
        }
    }

    /// The group that was asked, where a machine's guard answers a request to one, and by which input.
    pub(super) fn asked_in_group(
        &self,
        machine: MachineIx,
        acts: &[guard::Effect],
    ) -> Option<(GroupAsk, InputId)> {
        let asked = &self.machines[machine].asked;
        acts.iter().find_map(|act| match act {
            guard::Effect::Answer(answer) => {
                let (ask, _) = asked.get(&answer.request)?.group.as_ref()?;
                Some((*ask, answer.input))
            }
            guard::Effect::Order(_)
            | guard::Effect::Refresh
            | guard::Effect::Announce(_)
            | guard::Effect::Incident(_)
            | guard::Effect::IncidentOver(_)
            | guard::Effect::Keep(_)
            | guard::Effect::DeferralActed(_) => None,
        })
    }

    /// Answers the groups of which all is known, and those that have waited for long enough.
    pub(super) fn look_at_groups(&mut self, now: Now, out: &mut Vec<Effect>) {
        for place in (0..self.groups.open.len()).rev() {
            let open = &self.groups.open[place];
            let is_over = open.until <= now.moment || open.told.members.iter().all(|it| self.is_settled(it));
            if is_over && let Some(open) = self.groups.open.remove(place) {
                self.answer_group(now, open.told, out);
            }
        }
    }

    /// The program ends: whatever has not come by now will not come.
    pub(super) fn answer_groups(&mut self, now: Now, out: &mut Vec<Effect>) {
        while !self.groups.open.is_empty() {
            self.answer_oldest_group(now, out);
        }
    }

    fn answer_oldest_group(&mut self, now: Now, out: &mut Vec<Effect>) {
        if let Some(open) = self.groups.open.pop_front() {
            self.answer_group(now, open.told, out);
        }
    }

    /// Nothing more is to be expected of it. An outlet of which nothing is known is not waited for.
    fn is_settled(&self, member: &GroupMember) -> bool {
        let Some(decided) = &member.decided else { return false };
        let goes_off = !decided.shadow
            && matches!(decided.why, Why::Guard(Reason::MachineIdle | Reason::AlreadySwitching));
        let guard = self.plan.machine(member.machine.as_str()).map(|(index, _)| &self.machines[index].guard);
        !(goes_off
            && guard.is_some_and(|guard| guard.outlet() == Some(Switch::On) && guard.pending().is_some()))
    }

    fn answer_group(&self, now: Now, mut told: GroupAnswered, out: &mut Vec<Effect>) {
        told.at = now;
        for member in &mut told.members {
            let Some((index, _)) = self.plan.machine(member.machine.as_str()) else { continue };
            let machine = &self.machines[index];
            member.outlet = machine.guard.outlet();
            member.clears_in = machine.merged(now.moment).clears_in;
            member.follows = machine.follows(now.moment);
            member.acts_in = match machine.guard.active_deferral().map(|active| active.phase) {
                Some(Phase::Notice { acts_at }) => Some(acts_at.since(now.moment)),
                Some(Phase::Waiting | Phase::Looking { .. } | Phase::Unanswered { .. }) | None => None,
            };
        }
        out.push(Effect::GroupAnswered(Box::new(told)));
    }
}

/// Why none of its machines is even asked.
fn objection(plan: &plan::Plan, input: &plan::Input, group: GroupIx, kind: RequestKind) -> Option<Why> {
    let reaches = |machine| input.machines.contains(machine);
    if !is_for_groups(kind) {
        Some(Why::NotByGroup(kind))
    } else if input.requests.as_ref().is_some_and(|requests| !requests.contains(&kind)) {
        Some(Why::RequestNotAllowed)
    } else if !plan.groups[group].machines.iter().any(reaches) {
        Some(Why::GroupNotAllowed)
    } else {
        None
    }
}

fn unknown_group(plan: &plan::Plan, said: &str) -> Why {
    let shown = text::bounded(said);
    if plan.machine(said).is_some() {
        return Why::UnknownGroup(format!("{shown:?}; that is a machine, so write \"machine\" instead"));
    }
    let known = plan.groups.iter().map(|group| group.name.as_str());
    Why::UnknownGroup(format!("{shown:?}{}", nearest(said, known)))
}
