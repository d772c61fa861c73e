//! From messages on the topics of inputs to requests. Every request that can be read gets exactly one decision, and what
//! cannot be read is answered, too, if the sender wants an answer.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Decided, Effect, Grounds, NotUnderstood, Reply, Why};
use super::machine::Asked;
use super::messages::rejected;
use crate::event::{EVENT_ID_BYTES_MAX, Message, Name};
use crate::guard::{Arrival, Decision, GestureId, Input, Reason, Request, RequestId, RequestKind, Rights};
use crate::intake;
use crate::plan::{self, Gesture, InputSource, MachineWords, Plan};
use crate::schedules::Within;
use crate::time::{Moment, Now, Span};

/// Who says something that is not understood is told so this often at most.
const TELL_EVERY: Span = Span::secs(2);
/// Whoever said it longer ago than this no longer listens.
const LISTENS_FOR: Span = Span::secs(10);

/// A request that did not get as far as a guard.
#[derive(Default)]
struct Refusal {
    machine: Option<usize>,
    request: Option<RequestKind>,
    event_id: Option<Arc<str>>,
}

impl Engine {
    /// A gesture at a button, panel, contact or voice relay: one request for each machine it is for.
    pub(super) fn input_message(&mut self, now: Now, index: usize, message: &Message, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let InputSource::Topic { source, event_id, named } = &input.source else { return };
        let word = match intake::decode_word(&source.path, &message.payload) {
            Ok(word) => word,
            Err(fault) => return self.no_request(now, index, message, fault.to_string(), out),
        };
        let gesture = match gesture_of(input, named.as_ref(), &word) {
            Ok(gesture) => gesture,
            Err(fault) => return self.no_request(now, index, message, fault, out),
        };
        let event_id = event_id.as_ref().and_then(|path| intake::decode_word(path, &message.payload).ok());
        let event_id: Option<Arc<str>> = event_id.map(|id| event_key(&id).into());
        let meant = match named {
            None => input.machines.clone(),
            Some(words) => match machine_of(&plan, words, &message.payload) {
                Ok(Some(machine)) => vec![machine],
                Ok(None) => return,
                Err(why) => {
                    let refusal = Refusal { request: Some(gesture.request), event_id, machine: None };
                    self.tell_not_understood(now, input, message, &why, out);
                    return self.refuse(now, &input.name, refusal, why, message, out);
                }
            },
        };
        let asked = Asked {
            input: input.name.clone(),
            gesture: gesture.name.clone(),
            event_id,
            reply: reply_to(message),
        };
        let known = self.is_answered(now.moment, gesture.request, &asked);
        for machine in meant {
            if known {
                self.answer_duplicate(now, machine, gesture.request, &asked, out);
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
    }

    /// Other things may be said on a button's topic, so what is no gesture is only counted and recorded. Who wants an
    /// answer, or names a machine, meant a request.
    fn no_request(
        &mut self,
        now: Now,
        index: usize,
        message: &Message,
        fault: String,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let names_machines = matches!(&input.source, InputSource::Topic { named: Some(_), .. });
        if !names_machines && message.response_topic.is_none() {
            out.push(rejected(now, message, fault, Some(&input.name)));
            return;
        }
        let why = Why::Malformed(fault);
        if names_machines {
            self.tell_not_understood(now, input, message, &why, out);
        }
        self.refuse(now, &input.name, Refusal::default(), why, message, out);
    }

    fn tell_not_understood(
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
        index: usize,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let parsed = match intake::parse_request(&message.payload) {
            Ok(parsed) => parsed,
            Err(fault) => {
                let why = Why::Malformed(fault.to_string());
                return self.refuse(now, &input.name, Refusal::default(), why, message, out);
            }
        };
        let event_id: Option<Arc<str>> = parsed.id.map(|id| event_key(&id).into());
        let refusal =
            |machine| Refusal { machine, request: Some(parsed.request), event_id: event_id.clone() };
        let Some((machine, _)) = plan.machine(&parsed.machine) else {
            if plan.shop.elsewhere.contains(&intake::fold(&parsed.machine)) {
                return;
            }
            let known = plan.machines.iter().map(|machine| machine.name.as_str());
            let why = unknown_machine(&parsed.machine, known);
            return self.refuse(now, &input.name, refusal(None), why, message, out);
        };
        if !input.machines.contains(&machine) {
            let why = Why::MachineNotAllowed;
            return self.refuse(now, &input.name, refusal(Some(machine)), why, message, out);
        }
        if input.requests.as_ref().is_some_and(|requests| !requests.contains(&parsed.request)) {
            let why = Why::RequestNotAllowed;
            return self.refuse(now, &input.name, refusal(Some(machine)), why, message, out);
        }
        let gesture = Name::new(parsed.request.word()).expect("every request's word is a name");
        let asked = Asked { input: input.name.clone(), gesture, event_id, reply: reply_to(message) };
        if self.is_answered(now.moment, parsed.request, &asked) {
            return self.answer_duplicate(now, machine, parsed.request, &asked, out);
        }
        self.ask(now, machine, index, parsed.request, asked, arrival_of(input, message), out);
    }

    /// An emergency is never taken for an old one: a button that counts anew after its battery was changed uses its
    /// numbers again.
    pub(super) fn is_answered(&mut self, now: Moment, kind: RequestKind, asked: &Asked) -> bool {
        let id = asked.event_id.as_ref().filter(|_| kind != RequestKind::EmergencyOff);
        id.is_some_and(|id| !self.answered.note(&asked.input, id, now))
    }

    #[expect(clippy::too_many_arguments, reason = "each is a different thing, and none belongs to another")]
    pub(super) fn ask(
        &mut self,
        now: Now,
        machine: usize,
        input: usize,
        kind: RequestKind,
        asked: Asked,
        arrival: Arrival,
        out: &mut Vec<Effect>,
    ) {
        self.requests_made += 1;
        let request = Request {
            id: RequestId(self.requests_made),
            kind,
            input: self.names.input(&asked.input),
            gesture: GestureId(self.names.number(&asked.gesture)),
            rights: self.rights_now(now, input),
            arrival,
        };
        self.machines[machine].asked.insert(request.id, asked);
        if let Some(load) = self.load(now.moment, machine) {
            self.tell_guard(now, machine, Input::CircuitRoom(load.has_room()), out);
        }
        self.tell_guard(now, machine, Input::Request(request), out);
    }

    /// What the input may do at this hour. A clock that was never set says nothing about hours, and a doubt refuses.
    fn rights_now(&self, now: Now, input: usize) -> Rights {
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

    fn answer_duplicate(
        &mut self,
        now: Now,
        machine: usize,
        request: RequestKind,
        asked: &Asked,
        out: &mut Vec<Effect>,
    ) {
        let state = &self.machines[machine];
        out.push(Effect::Decided(Box::new(Decided {
            at: now,
            machine: Some(state.rules().name.clone()),
            title: Some(state.title.clone()),
            input: asked.input.clone(),
            gesture: Some(asked.gesture.clone()),
            request: Some(request),
            event_id: asked.event_id.clone(),
            decision: Decision::Ignored,
            why: Why::Guard(Reason::Duplicate),
            against: None,
            grounds: Grounds::default(),
            reply: asked.reply.clone(),
            after_keep: false,
            rules: self.rules_digest.clone(),
        })));
    }

    fn refuse(
        &self,
        now: Now,
        input: &Name,
        refusal: Refusal,
        why: Why,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let machine = refusal.machine.map(|machine| &self.machines[machine]);
        out.push(Effect::Decided(Box::new(Decided {
            at: now,
            machine: machine.map(|machine| machine.rules().name.clone()),
            title: machine.map(|machine| machine.title.clone()),
            input: input.clone(),
            gesture: None,
            request: refusal.request,
            event_id: refusal.event_id,
            decision: Decision::Refused,
            why,
            against: None,
            grounds: Grounds::default(),
            reply: reply_to(message),
            after_keep: false,
            rules: self.rules_digest.clone(),
        })));
    }
}

/// Where the payload names the machine, its words are those of people: see [`intake::fold`].
fn gesture_of<'a>(
    input: &'a plan::Input,
    named: Option<&MachineWords>,
    word: &str,
) -> Result<&'a Gesture, String> {
    let mut gestures = input.gestures.iter();
    let Some(_) = named else {
        let fault = || format!("{:?} is not one of this input's gestures", intake::bounded(word));
        return gestures.find(|gesture| gesture.words.iter().any(|known| known == word)).ok_or_else(fault);
    };
    let said = intake::fold(word);
    let found = gestures.find(|gesture| gesture.words.iter().any(|known| intake::fold(known) == said));
    found.ok_or_else(|| {
        let known = input.gestures.iter().flat_map(|gesture| gesture.words.iter().map(String::as_str));
        format!("{:?} is not one of its requests{}", intake::bounded(word), did_you_mean(word, known))
    })
}

/// Nothing for a machine that another site's daemon answers for.
fn machine_of(plan: &Plan, words: &MachineWords, payload: &[u8]) -> Result<Option<usize>, Why> {
    let said =
        intake::decode_word(&words.path, payload).map_err(|fault| Why::Malformed(fault.to_string()))?;
    let folded = intake::fold(&said);
    if let Some((_, machine)) = words.words.iter().find(|(word, _)| intake::fold(word) == folded) {
        return Ok(Some(*machine));
    }
    if plan.shop.elsewhere.contains(&folded) {
        return Ok(None);
    }
    let is_other = |machine: &plan::Machine| {
        intake::fold(machine.name.as_str()) == folded || intake::fold(&machine.title) == folded
    };
    if plan.machines.iter().any(is_other) {
        return Err(Why::MachineNotAllowed);
    }
    Err(unknown_machine(&said, words.words.iter().map(|(word, _)| word.as_str())))
}

fn unknown_machine<'a>(said: &str, known: impl IntoIterator<Item = &'a str>) -> Why {
    Why::UnknownMachine(format!("{:?}{}", intake::bounded(said), did_you_mean(said, known)))
}

fn did_you_mean<'a>(said: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    intake::nearest(said, known).map_or_else(String::new, |near| format!("; did you mean {near:?}?"))
}

/// A sender's id, no longer than the journal keeps it: else it would not be recognised after a restart.
fn event_key(id: &str) -> &str {
    let mut end = id.len().min(EVENT_ID_BYTES_MAX);
    while !id.is_char_boundary(end) {
        end -= 1;
    }
    &id[..end]
}

fn reply_to(message: &Message) -> Option<Reply> {
    let topic = message.response_topic.clone()?;
    Some(Reply { topic, correlation: message.correlation.clone() })
}

/// An emergency counts whatever its sender asked the broker to do with it, unless it can come from the broker's store.
fn arrival_of(input: &plan::Input, message: &Message) -> Arrival {
    let stored = message.stored(input.sender_stores || input.rights.emergency);
    Arrival { retained: stored, age: message.age }
}
