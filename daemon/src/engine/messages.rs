//! From messages to facts: readings, outlet states and requests, or a rejection with its reason.

use std::sync::Arc;

use super::core::Engine;
use super::effect::{Decided, Effect, Grounds, Rejected, Reply, Why};
use super::machine::Asked;
use crate::event::{EVENT_ID_BYTES_MAX, Message, Name};
use crate::guard::{Arrival, Decision, GestureId, Input, Reason, Request, RequestId, RequestKind, Switch};
use crate::intake;
use crate::plan::{InputSource, StateTopic};
use crate::signals::Arrived;
use crate::time::{Moment, Now, Span};

/// A message that can have waited no longer than this counts as just come in; beyond, its content is as old as it
/// may be.
const LAG_TOLERATED: Span = Span(500);

impl Engine {
    pub(super) fn signal_message(
        &mut self,
        now: Now,
        index: usize,
        signal: usize,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let machine = &mut self.machines[index];
        let rules = &machine.plan.machines[index].signals[signal];
        let arrived = Arrived { at: read_at(now, message), retained: message.retained, now: Some(now) };
        let taken = machine.signals[signal].take(rules, &message.payload, arrived);
        match taken {
            Ok(Some(reading)) => self.with_machine(now, index, out, |machine, acts, out| {
                machine.take_reading(now, signal, &reading, acts, out);
            }),
            // Older than one already here: it says nothing about now.
            Ok(None) => {}
            Err(fault) => out.push(rejected(now, message, fault.to_string(), None)),
        }
    }

    pub(super) fn outlet_message(
        &mut self,
        now: Now,
        index: usize,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let machine = &self.machines[index];
        let state = match switch_of(&machine.rules().outlet.state, message) {
            Ok(state) => state,
            Err(fault) => {
                out.push(rejected(now, message, fault, None));
                None
            }
        };
        self.with_machine(now, index, out, |machine, acts, _| {
            machine.sight.says(state);
            machine.take_outlet(now, acts);
        });
    }

    pub(super) fn availability_message(
        &mut self,
        now: Now,
        index: usize,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let machine = &self.machines[index];
        let Some(rules) = &machine.rules().outlet.availability else { return };
        let reachable = switch_of(rules, message).ok().flatten().map(|state| state == Switch::On);
        self.with_machine(now, index, out, |machine, acts, _| {
            machine.sight.reachable(reachable);
            machine.take_outlet(now, acts);
        });
    }

    /// A gesture at a button, panel or contact: one request for each machine it is for.
    pub(super) fn input_message(&mut self, now: Now, index: usize, message: &Message, out: &mut Vec<Effect>) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let InputSource::Topic { source, event_id } = &input.source else { return };
        let word = match intake::decode_word(&source.path, &message.payload) {
            Ok(word) => word,
            Err(fault) => {
                out.push(rejected(now, message, fault.to_string(), Some(&input.name)));
                return;
            }
        };
        let Some(gesture) = input.gestures.iter().find(|gesture| gesture.words.contains(&word)) else {
            let fault = format!("{:?} is none of this input's gestures", intake::bounded(&word));
            out.push(rejected(now, message, fault, Some(&input.name)));
            return;
        };
        let event_id = event_id.as_ref().and_then(|path| intake::decode_word(path, &message.payload).ok());
        let event_id: Option<Arc<str>> = event_id.map(|id| event_key(&id).into());
        let asked = Asked {
            input: input.name.clone(),
            gesture: gesture.name.clone(),
            event_id,
            reply: reply_to(message),
        };
        let known = self.is_answered(gesture.request, &asked);
        for machine in &input.machines {
            if known {
                self.answer_duplicate(now, *machine, gesture.request, &asked, out);
            } else {
                self.ask(now, *machine, index, gesture.request, asked.clone(), arrival_of(message), out);
            }
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
                return self.refuse(now, &input.name, None, None, why, message, out);
            }
        };
        let event_id: Option<Arc<str>> = parsed.id.map(|id| event_key(&id).into());
        let Some((machine, _)) = plan.machine(&parsed.machine) else {
            let why = Why::UnknownMachine(intake::bounded(&parsed.machine));
            return self.refuse(now, &input.name, Some(parsed.request), event_id, why, message, out);
        };
        if !input.machines.contains(&machine) {
            let why = Why::MachineNotAllowed;
            return self.refuse(now, &input.name, Some(parsed.request), event_id, why, message, out);
        }
        if input.requests.as_ref().is_some_and(|requests| !requests.contains(&parsed.request)) {
            let why = Why::RequestNotAllowed;
            return self.refuse(now, &input.name, Some(parsed.request), event_id, why, message, out);
        }
        let gesture = Name::new(parsed.request.word()).expect("every request's word is a name");
        let asked = Asked { input: input.name.clone(), gesture, event_id, reply: reply_to(message) };
        if self.is_answered(parsed.request, &asked) {
            return self.answer_duplicate(now, machine, parsed.request, &asked, out);
        }
        self.ask(now, machine, index, parsed.request, asked, arrival_of(message), out);
    }

    /// An emergency is never taken for an old one: a button that counts anew after its battery was changed uses its
    /// numbers again.
    pub(super) fn is_answered(&mut self, kind: RequestKind, asked: &Asked) -> bool {
        let id = asked.event_id.as_ref().filter(|_| kind != RequestKind::EmergencyOff);
        id.is_some_and(|id| !self.answered.note(&asked.input, id))
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
            rights: self.plan.inputs[input].rights,
            arrival,
        };
        self.machines[machine].asked.insert(request.id, asked);
        if let Some(load) = self.load(machine) {
            self.tell_guard(now, machine, Input::CircuitRoom(load.has_room()), out);
        }
        self.tell_guard(now, machine, Input::Request(request), out);
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
            load: None,
            grounds: Grounds::default(),
            reply: asked.reply.clone(),
            after_keep: false,
            rules: self.rules_digest.clone(),
        })));
    }

    #[expect(clippy::too_many_arguments, reason = "each is a different thing, and none belongs to another")]
    fn refuse(
        &self,
        now: Now,
        input: &Name,
        request: Option<RequestKind>,
        event_id: Option<Arc<str>>,
        why: Why,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        out.push(Effect::Decided(Box::new(Decided {
            at: now,
            machine: None,
            title: None,
            input: input.clone(),
            gesture: None,
            request,
            event_id,
            decision: Decision::Refused,
            why,
            load: None,
            grounds: Grounds::default(),
            reply: reply_to(message),
            after_keep: false,
            rules: self.rules_digest.clone(),
        })));
    }
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

fn arrival_of(message: &Message) -> Arrival {
    Arrival { retained: message.retained, age: message.age }
}

fn read_at(now: Now, message: &Message) -> Moment {
    if message.age <= LAG_TOLERATED { now.moment } else { now.moment - message.age }
}

/// On, off, or nothing when it says anything else.
fn switch_of(rules: &StateTopic, message: &Message) -> Result<Option<Switch>, String> {
    let word =
        intake::decode_word(&rules.source.path, &message.payload).map_err(|fault| fault.to_string())?;
    if word == rules.on {
        Ok(Some(Switch::On))
    } else if word == rules.off {
        Ok(Some(Switch::Off))
    } else {
        Err(format!("{:?} is neither {:?} nor {:?}", intake::bounded(&word), rules.on, rules.off))
    }
}

fn rejected(now: Now, message: &Message, fault: String, input: Option<&Name>) -> Effect {
    Effect::Rejected(Rejected { at: now, topic: message.topic.clone(), fault, input: input.cloned() })
}
