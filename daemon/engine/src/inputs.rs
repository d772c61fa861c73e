//! From messages on the topics of inputs to requests. Every request that can be read gets exactly one decision, and
//! what cannot be read is answered, too, if the sender wants an answer.

use std::sync::Arc;

use super::answered::age_max;
use super::core::Engine;
use super::effect::{Decided, Effect, NotUnderstood, Why};
use super::emergencies::Press;
use super::groups::{Heard, rights_for_groups};
use super::lock_book::{self, About};
use super::machine::Asked;
use super::messages::rejected;
use super::misfits;
use super::quotas::Said;
use super::together::fold_announcements;
use super::tokens::{Tokens, parse_token};
use crate::intake::{self, Addressee, ParsedRequest};
use idlegate_guard::time::{Now, Span};
use idlegate_guard::{
    Arrival, Decision, GestureId, Input, Lockout, Person, Place, Reason, Request, RequestId, RequestKind,
    Rights,
};
use idlegate_plan::answered::COUNTER_AGE_MAX;
use idlegate_plan::event::{EVENT_ID_BYTES_MAX, Line, Message, Name};
use idlegate_plan::schedules::Within;
use idlegate_plan::text::{self, tame};
use idlegate_plan::{
    self as plan, Gesture, GroupIx, InputIx, InputSource, MachineIx, MachineWords, Plan, ValuePath,
};

/// Who says something that is not understood is told so this often at most.
const TELL_EVERY: Span = Span::secs(2);
/// A person's name is not shown any further.
pub(super) const PERSON_CHARS_MAX: usize = 40;
/// What somebody says of their lock, neither.
const NOTE_CHARS_MAX: usize = 120;
/// Whoever said it longer ago than this no longer listens.
const LISTENS_FOR: Span = Span::secs(10);

/// A request that did not get as far as a guard.
#[derive(Default)]
pub(super) struct Refusal {
    pub(super) machine: Option<MachineIx>,
    pub(super) request: Option<RequestKind>,
    pub(super) event_id: Option<Arc<str>>,
}

/// What somebody has named in words of their own.
enum Named {
    Machine(MachineIx),
    Group(GroupIx),
}

impl Engine {
    /// A gesture at a button, panel, contact or voice relay: one request for each machine it is for.
    pub(super) fn input_message(
        &mut self,
        now: Now,
        index: InputIx,
        message: &Message,
        line: Line,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let InputSource::Topic { source, event_id, named } = &input.source else { return };
        let word = match intake::decode_word(&source.path, &message.payload) {
            Ok(word) => word,
            Err(fault) => return self.no_request(now, index, message, line, fault.to_string(), out),
        };
        let gesture = match gesture_of(input, named.as_ref(), &word) {
            Ok(gesture) => gesture,
            Err(fault) => return self.no_request(now, index, message, line, fault, out),
        };
        self.misfits.understood(&input.name);
        let emergency = gesture.request == RequestKind::EmergencyOff && input.rights.emergency;
        if !self.is_heard(now, input, gesture.request, line) {
            return;
        }
        let event_id = event_id.as_ref().and_then(|id| intake::decode_word(&id.path, &message.payload).ok());
        let event_id: Option<Arc<str>> = event_id.map(|id| event_key(&id).into());
        let meant = match named {
            None => input.machines.clone(),
            Some(words) => match named_in(&plan, words, &message.payload) {
                Ok(Some(Named::Machine(machine))) => vec![machine],
                Ok(Some(Named::Group(group))) => {
                    let heard = Heard { input: index, message, line };
                    return self.group_said(now, heard, group, gesture, event_id, out);
                }
                Ok(None) => return,
                Err(_) if !self.may_be_refused(now, input, gesture.request, line) => return,
                Err(why) => {
                    let refusal = Refusal { request: Some(gesture.request), event_id, machine: None };
                    self.tell_not_understood(now, input, message, &why, out);
                    return self.refuse(now, input, refusal, why, message, out);
                }
            },
        };
        let press = Press { input, gesture: &gesture.name, machines: &meant, message, line };
        if emergency && !self.is_new_emergency(now, &press) {
            return;
        }
        let asked = self.asked(now, input, gesture, event_id, message, out);
        let known = self.is_answered(now, gesture.request, input.rights, &asked);
        let begin = out.len();
        for machine in meant {
            if let Some(age) = known {
                let duplicate = self.duplicate(now, machine, gesture.request, &asked, age);
                out.push(Effect::Decided(Box::new(duplicate)));
            } else {
                self.ask(
                    now,
                    machine,
                    index,
                    gesture.request,
                    asked.clone(),
                    arrival_of(input, message),
                    out,
                );
            }
        }
        fold_announcements(out, begin, plan.machines.len());
    }

    pub(super) fn asked(
        &mut self,
        now: Now,
        input: &plan::Input,
        gesture: &Gesture,
        event_id: Option<Arc<str>>,
        message: &Message,
        out: &mut Vec<Effect>,
    ) -> Asked {
        let at = |path: &Option<ValuePath>| path.as_ref().and_then(|path| said(path, message));
        Asked {
            reply: self.reply_to(now, input, message, out),
            who: at(&input.who).and_then(|who| said_of(&who, PERSON_CHARS_MAX)),
            confirm: at(&input.confirm).and_then(|it| parse_token(&it)),
            ..Asked::plain(input.name.clone(), gesture.name.clone(), event_id)
        }
    }

    /// Whether this is one of those that are judged here at all, and within the input's quota. Emergencies are counted
    /// elsewhere.
    fn is_heard(&mut self, now: Now, input: &plan::Input, kind: RequestKind, line: Line) -> bool {
        if kind == RequestKind::EmergencyOff && input.rights.emergency {
            return true;
        }
        line == Line::Main && self.quotas.allows(now.moment, &input.name, Said::Request(kind))
    }

    /// Other things may be said on a button's topic, so what is no gesture is only counted and recorded, unless nothing
    /// of the input was ever understood: then people hear of it. Who wants an answer, or names a machine, meant a
    /// request.
    fn no_request(
        &mut self,
        now: Now,
        index: InputIx,
        message: &Message,
        line: Line,
        fault: String,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        if line == Line::Emergency || !self.quotas.allows(now.moment, &input.name, Said::NoRequest) {
            return;
        }
        let names_machines = input.names_machines();
        let fault = match misfits::remedy(input, &message.payload) {
            Some(remedy) => format!("{fault}; {remedy}"),
            None => fault,
        };
        if !names_machines && message.response_topic.is_none() {
            out.push(rejected(now, message, fault.clone(), Some(&input.name)));
            if !message.stored(input.sender_stores) && self.misfits.is_news(now.moment, &input.name) {
                self.tell_not_understood(now, input, message, &Why::Malformed(fault), out);
            }
            return;
        }
        let why = Why::Malformed(fault);
        if names_machines {
            self.tell_not_understood(now, input, message, &why, out);
        }
        self.refuse(now, input, Refusal::default(), why, message, out);
    }

    pub(super) fn tell_not_understood(
        &mut self,
        now: Now,
        input: &plan::Input,
        message: &Message,
        why: &Why,
        out: &mut Vec<Effect>,
    ) {
        let told = self.told_not_understood.replace(now.moment);
        let just_told = told.is_some_and(|at| now.moment.since(at) < TELL_EVERY);
        if !just_told && !message.stored(input.sender_stores) && message.age <= LISTENS_FOR {
            out.push(Effect::NotUnderstood(NotUnderstood {
                at: now,
                input: (input.name.clone(), input.title.as_str().into()),
                why: why.clone(),
            }));
        }
    }

    /// A request on our own topic: which machine and what, in the payload.
    pub(super) fn request_message(
        &mut self,
        now: Now,
        index: InputIx,
        message: &Message,
        line: Line,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let Some((keep_for, parsed)) = self.read_request(now, input, message, line, out) else { return };
        if !self.is_heard(now, input, parsed.request, line) {
            return;
        }
        let name = match &parsed.asked {
            Addressee::Machine(name) => name,
            Addressee::Group(group) => {
                let heard = Heard { input: index, message, line };
                return self.group_request(now, heard, group, &parsed, out);
            }
        };
        let event_id: Option<Arc<str>> = parsed.id.as_deref().map(|id| event_key(id).into());
        let refusal =
            |machine| Refusal { machine, request: Some(parsed.request), event_id: event_id.clone() };
        let Some((machine, _)) = plan.machine(name) else {
            let elsewhere = plan.shop.elsewhere.contains(&text::fold(name));
            if elsewhere || !self.may_be_refused(now, input, parsed.request, line) {
                return;
            }
            let why = unknown_name(&plan, name);
            return self.refuse(now, input, refusal(None), why, message, out);
        };
        let service = match self.service_meant(input, machine, parsed.request, parsed.service.as_deref()) {
            Ok(service) => service,
            Err(_) if !self.may_be_refused(now, input, parsed.request, line) => return,
            Err(why) => return self.refuse(now, input, refusal(Some(machine)), why, message, out),
        };
        // Two services in a row are two gestures.
        let gesture = service.as_ref().and_then(|service| Name::new(&format!("serviced-{service}")).ok());
        let word = || Name::new(parsed.request.word()).expect("every request's word is a name");
        let gesture = gesture.unwrap_or_else(word);
        let press = Press { input, gesture: &gesture, machines: &[machine], message, line };
        let emergency = parsed.request == RequestKind::EmergencyOff && input.rights.emergency;
        if emergency && !self.is_new_emergency(now, &press) {
            return;
        }
        let reply = self.reply_to(now, input, message, out);
        let asked = Asked {
            input: input.name.clone(),
            gesture,
            event_id,
            reply,
            who: parsed.who.as_deref().and_then(|who| said_of(who, PERSON_CHARS_MAX)),
            keep_for,
            confirm: parsed.confirm.as_deref().and_then(parse_token),
            note: parsed.note.as_deref().and_then(|note| said_of(note, NOTE_CHARS_MAX)),
            service,
            group: None,
        };
        if let Some(age) = self.is_answered(now, parsed.request, input.rights, &asked) {
            let duplicate = self.duplicate(now, machine, parsed.request, &asked, age);
            return out.push(Effect::Decided(Box::new(duplicate)));
        }
        self.ask(now, machine, index, parsed.request, asked, arrival_of(input, message), out);
    }

    /// What it asks for, and how long a keep-on is meant for. What cannot be read is refused.
    fn read_request(
        &mut self,
        now: Now,
        input: &plan::Input,
        message: &Message,
        line: Line,
        out: &mut Vec<Effect>,
    ) -> Option<(Option<Span>, ParsedRequest)> {
        let read = intake::parse_request(&message.payload);
        let fault = match read.and_then(|it| Ok((it.keep_for(now.wall)?, it))) {
            Ok(it) => return Some(it),
            Err(fault) => fault,
        };
        if line == Line::Main && self.quotas.allows(now.moment, &input.name, Said::NoRequest) {
            let why = Why::Malformed(fault.to_string());
            self.refuse(now, input, Refusal::default(), why, message, out);
        }
        None
    }

    /// Whether the input may ask this of this machine at all, and which service was done: the one that is named, or the
    /// only one that there is.
    fn service_meant(
        &self,
        input: &plan::Input,
        machine: MachineIx,
        kind: RequestKind,
        said: Option<&str>,
    ) -> Result<Option<Name>, Why> {
        if !input.machines.contains(&machine) {
            return Err(Why::MachineNotAllowed);
        }
        if input.requests.as_ref().is_some_and(|requests| !requests.contains(&kind)) {
            return Err(Why::RequestNotAllowed);
        }
        let services = &self.plan.machines[machine].services;
        let known = || services.iter().map(|service| service.name.as_str());
        match (kind, said, services.as_slice()) {
            (RequestKind::Serviced, Some(said), _) => {
                let found = services.iter().find(|service| service.name.as_str() == said);
                let unknown =
                    || Why::UnknownService(format!("{:?}{}", text::bounded(said), nearest(said, known())));
                Ok(Some(found.ok_or_else(unknown)?.name.clone()))
            }
            (RequestKind::Serviced, None, [one]) => Ok(Some(one.name.clone())),
            (RequestKind::Serviced, None, []) => {
                Err(Why::Malformed("its rules have no service that is counted".to_owned()))
            }
            (RequestKind::Serviced, None, [_, _, ..]) => Err(Why::Malformed(format!(
                "say which service was done: {}",
                known().collect::<Vec<_>>().join(", ")
            ))),
            (_, _, _) => Ok(None),
        }
    }

    /// An emergency that cannot be obeyed counts like any other request, and is told over the main connection.
    pub(super) fn may_be_refused(
        &mut self,
        now: Now,
        input: &plan::Input,
        kind: RequestKind,
        line: Line,
    ) -> bool {
        let counted = !(kind == RequestKind::EmergencyOff && input.rights.emergency);
        counted || line == Line::Main && self.quotas.allows(now.moment, &input.name, Said::Request(kind))
    }

    /// How long ago a request with this id was answered.
    ///
    /// An emergency is never taken for an old one: a button that counts anew after its battery was changed uses its
    /// numbers again. And what the input may not ask for is not remembered.
    pub(super) fn is_answered(
        &mut self,
        now: Now,
        kind: RequestKind,
        rights: Rights,
        asked: &Asked,
    ) -> Option<Span> {
        let counts = kind != RequestKind::EmergencyOff && kind.denied_by(rights).is_none();
        let id = asked.event_id.as_ref().filter(|_| counts)?;
        self.answered.note(&asked.input, id, age_max(&self.plan, &asked.input), now.moment)
    }

    #[expect(clippy::too_many_arguments, reason = "each is a different thing, and none belongs to another")]
    pub(super) fn ask(
        &mut self,
        now: Now,
        machine: MachineIx,
        input: InputIx,
        kind: RequestKind,
        asked: Asked,
        arrival: Arrival,
        out: &mut Vec<Effect>,
    ) {
        self.requests_made += 1;
        let rights = self.rights_now(now, input);
        let rights = if asked.group.is_some() { rights_for_groups(rights) } else { rights };
        let releases = rights.may_unlock && !rights.out_of_hours && !arrival.retained;
        if kind == RequestKind::Unlock && releases {
            self.release_by_hand(now, machine, &asked.input, out);
        }
        let (named, input) =
            (matches!(kind, RequestKind::Lock | RequestKind::Unlock), self.names.input(&asked.input));
        let person = if named { lock_book::person(asked.who.as_deref()) } else { Person::UNNAMED };
        self.note_lock(now, machine, kind, Lockout::owned(input, person), &asked);
        let from_afar = rights.place == Place::Remote && rights.may_force;
        let offer = self.tokens.as_mut().filter(|_| from_afar).map(Tokens::draw);
        let request = Request {
            id: RequestId(self.requests_made),
            kind,
            input,
            person,
            gesture: GestureId(self.names.number(&asked.gesture)),
            rights,
            arrival,
            keep_for: asked.keep_for,
            offer,
            confirm: asked.confirm,
        };
        self.machines[machine].asked.insert(request.id, asked);
        // Only what may switch on needs room; an emergency for a whole hall must not add up its circuits for each
        // machine.
        let switches_on = matches!(kind, RequestKind::On | RequestKind::Flip);
        if switches_on && let Some(load) = self.load(now.moment, machine) {
            self.tell_guard(now, machine, Input::CircuitRoom(load.has_room()), out);
        }
        self.tell_guard(now, machine, Input::Request(request), out);
        let machine = &mut self.machines[machine];
        machine.locks.follow(machine.guard.locks());
        machine.asks_as = None;
    }

    /// Whose lock this will be, should it come to that: known before anything is kept or said of it.
    fn note_lock(&mut self, now: Now, machine: MachineIx, kind: RequestKind, own: Lockout, asked: &Asked) {
        let (who, note, since) = (asked.who.clone(), asked.note.clone(), Some(now.wall));
        let about = About { who, note, since, outlet: None };
        let title = self.input_title(own.by);
        let machine = &mut self.machines[machine];
        match kind {
            RequestKind::Lock => machine.locks.put(own, about),
            RequestKind::EmergencyOff => machine.locks.put(Lockout::emergency(own.by), about),
            RequestKind::Unlock => machine.locks.put(own, About { note: None, ..about }),
            RequestKind::On
            | RequestKind::Off
            | RequestKind::Flip
            | RequestKind::ForceOff
            | RequestKind::OffOnceIdle
            | RequestKind::Cancel
            | RequestKind::KeepOn
            | RequestKind::Serviced => return,
        }
        machine.asks_as = Some(machine.locks.words(own, &title).into());
    }

    /// What the input may do at this hour. A clock that was never set says nothing about hours, and a doubt refuses.
    fn rights_now(&self, now: Now, input: InputIx) -> Rights {
        let input = &self.plan.inputs[input];
        let within = input.hours.as_ref().map_or(Within::Yes, |hours| hours.within(now.wall));
        Rights { out_of_hours: within != Within::Yes, ..input.rights }
    }

    /// Which hours an input has, and what time it is.
    pub(super) fn hours_clause(&self, now: Now, input: &Name) -> Option<Arc<str>> {
        let (_, input) = self.plan.input(input.as_str())?;
        let hours = input.hours.as_ref()?;
        let clause = match hours.within(now.wall) {
            Within::ClockNotSet => {
                format!("{} may only ask {hours}, and this computer's clock has not been set", input.title)
            }
            Within::Yes | Within::No => {
                format!("{} may only ask {hours}, and it is {}", input.title, hours.local(now.wall))
            }
        };
        Some(clause.into())
    }

    pub(super) fn duplicate(
        &self,
        now: Now,
        machine: MachineIx,
        request: RequestKind,
        asked: &Asked,
        age: Span,
    ) -> Decided {
        // A broker delivers again within seconds; what comes after minutes is more likely a new event.
        let against = asked.event_id.as_ref().filter(|_| age >= COUNTER_AGE_MAX);
        let against = against.map(|id| counts_anew(id).into());
        let (name, title) = self.machines[machine].names();
        let (input, why) = (asked.input.clone(), Why::Guard(Reason::Duplicate));
        Decided {
            machine: Some(name),
            title: Some(title),
            gesture: Some(asked.gesture.clone()),
            request: Some(request),
            event_id: asked.event_id.clone(),
            against,
            reply: asked.reply.clone(),
            who: asked.who.clone(),
            shadow: self.machines[machine].guard.policy().shadow && request != RequestKind::EmergencyOff,
            ..Decided::new(now, input, Decision::Ignored, why, &self.rules_digest)
        }
    }

    pub(super) fn refuse(
        &self,
        now: Now,
        input: &plan::Input,
        refusal: Refusal,
        why: Why,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let reply = self.reply_to(now, input, message, out);
        let (machine, title) = refusal.machine.map(|machine| self.machines[machine].names()).unzip();
        out.push(Effect::Decided(Box::new(Decided {
            machine,
            title,
            request: refusal.request,
            event_id: refusal.event_id,
            reply,
            // An emergency that may not be obeyed is not obeyed in earnest.
            shadow: refusal.request != Some(RequestKind::EmergencyOff)
                && refusal.machine.is_some_and(|machine| self.machines[machine].guard.policy().shadow),
            ..Decided::new(now, input.name.clone(), Decision::Refused, why, &self.rules_digest)
        })));
    }
}

/// Where the payload names the machine, its words are those of people: see [`text::fold`].
fn gesture_of<'a>(
    input: &'a plan::Input,
    named: Option<&MachineWords>,
    word: &str,
) -> Result<&'a Gesture, String> {
    let mut gestures = input.gestures.iter();
    let Some(_) = named else {
        let fault = || format!("{:?} is not one of this input's gestures", text::bounded(word));
        return gestures.find(|gesture| gesture.words.iter().any(|known| known == word)).ok_or_else(fault);
    };
    let said = text::fold(word);
    let found = gestures.find(|gesture| gesture.words.iter().any(|known| text::fold(known) == said));
    found.ok_or_else(|| {
        let known = input.gestures.iter().flat_map(|gesture| gesture.words.iter().map(String::as_str));
        format!("{:?} is not one of its requests{}", text::bounded(word), nearest(word, known))
    })
}

/// Nothing for what another site's daemon answers for.
fn named_in(plan: &Plan, words: &MachineWords, payload: &[u8]) -> Result<Option<Named>, Why> {
    let said =
        intake::decode_word(&words.path, payload).map_err(|fault| Why::Malformed(fault.to_string()))?;
    let folded = text::fold(&said);
    if let Some((_, machine)) = words.words.iter().find(|(word, _)| text::fold(word) == folded) {
        return Ok(Some(Named::Machine(*machine)));
    }
    if let Some((_, group)) = words.groups.iter().find(|(word, _)| text::fold(word) == folded) {
        return Ok(Some(Named::Group(*group)));
    }
    if plan.shop.elsewhere.contains(&folded) {
        return Ok(None);
    }
    let is_other = |machine: &plan::Machine| {
        text::fold(machine.name.as_str()) == folded || text::fold(&machine.title) == folded
    };
    if plan.machines.iter().any(is_other) {
        return Err(Why::MachineNotAllowed);
    }
    let is_other_group =
        |group: &plan::Group| text::fold(group.name.as_str()) == folded || text::fold(&group.title) == folded;
    if plan.groups.iter().any(is_other_group) {
        return Err(Why::GroupNotAllowed);
    }
    let groups = words.groups.iter().map(|(word, _)| word.as_str());
    Err(unknown_machine(&said, words.words.iter().map(|(word, _)| word.as_str()).chain(groups)))
}

/// On our own topic, where machines and groups have their places.
fn unknown_name(plan: &Plan, said: &str) -> Why {
    if plan.group(said).is_some() {
        let shown = text::bounded(said);
        return Why::UnknownMachine(format!("{shown:?}; that is a group, so write \"group\" instead"));
    }
    unknown_machine(said, plan.machines.iter().map(|machine| machine.name.as_str()))
}

fn unknown_machine<'a>(said: &str, known: impl IntoIterator<Item = &'a str>) -> Why {
    Why::UnknownMachine(format!("{:?}{}", text::bounded(said), nearest(said, known)))
}

pub(super) fn nearest<'a>(said: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    text::nearest(said, known).map_or_else(String::new, |near| format!("; did you mean {near:?}?"))
}

/// A sender's id, no longer than the journal keeps it: else it would not be recognised after a restart.
pub(super) fn event_key(id: &str) -> &str {
    let mut end = id.len().min(EVENT_ID_BYTES_MAX);
    while !id.is_char_boundary(end) {
        end -= 1;
    }
    &id[..end]
}

fn counts_anew(id: &str) -> String {
    format!(
        "a request with the id {} has already been answered. If its sender counts up from 1 again after a battery change, \
         set counter = true for its event_id",
        text::bounded(id)
    )
}

fn said(path: &ValuePath, message: &Message) -> Option<String> {
    intake::decode_word(path, &message.payload).ok()
}

/// Whatever the sender says; it stays on its line, and no longer than anybody reads.
pub(super) fn said_of(said: &str, chars_max: usize) -> Option<Arc<str>> {
    let said = said.trim();
    (!said.is_empty()).then(|| tame(said, chars_max).into())
}

/// An emergency counts whatever its sender asked the broker to do with it, unless it can come from the broker's store.
pub(super) fn arrival_of(input: &plan::Input, message: &Message) -> Arrival {
    let stored = message.stored(input.sender_stores || input.rights.emergency);
    Arrival { retained: stored, age: message.age }
}
