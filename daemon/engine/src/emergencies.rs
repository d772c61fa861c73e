//! Which messages are one and the same emergency off: the copies of it that come over two connections, and those of a
//! button that repeats itself.
//!
//! **Copies.** The broker gives a message to both connections at the same moment. One that has come over the one and
//! comes over the other is the same if it says the same and can have entered that stream before the first copy was
//! here. What entered later is another press, and counts.
//!
//! **Repeats.** For a fifth of a second after an emergency off has been sent, another press of the same input adds
//! nothing to it: it costs no order, and all of them together are one decision. In a flood it is a second: the guard
//! itself sends an emergency off again until the outlet has confirmed it.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use bytes::Bytes;

use super::core::Engine;
use super::effect::{Decided, Effect, Why};
use super::quotas::Said;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{Decision, Reason, RequestKind};
use idlegate_plan::event::{Line, Message, Name};
use idlegate_plan::{Input, MachineIx};

const REPEAT: Span = Span(200);
const REPEAT_IN_A_FLOOD: Span = Span::secs(1);
/// Different messages of one input whose copies are waited for.
const COPIES_MAX: usize = 32;

#[derive(Debug, Default)]
pub(super) struct Emergencies(BTreeMap<Name, OfInput>);

#[derive(Debug, Default)]
struct OfInput {
    copies: VecDeque<Copies>,
    /// When an emergency off was last sent for each machine. No more than the rules have.
    sent: BTreeMap<Name, Moment>,
    repeats: Option<Repeats>,
}

/// Of one message, or of several that say the same.
#[derive(Debug)]
struct Copies {
    topic: Arc<str>,
    payload: Bytes,
    retained: bool,
    /// Over which connection there came more of them.
    line: Line,
    more: u32,
    last: Moment,
}

#[derive(Debug)]
struct Repeats {
    machine: Option<Name>,
    gesture: Name,
    count: u64,
    told_at: Moment,
}

impl OfInput {
    fn is_copy(&mut self, now: Moment, line: Line, message: &Message) -> bool {
        let same = |copies: &&mut Copies| {
            copies.retained == message.retained
                && copies.topic == message.topic
                && copies.payload == message.payload
        };
        let Some(copies) = self.copies.iter_mut().find(same) else {
            if self.copies.len() == COPIES_MAX {
                self.copies.pop_front();
            }
            let (topic, payload) = (message.topic.clone(), message.payload.clone());
            let retained = message.retained;
            self.copies.push_back(Copies { topic, payload, retained, line, more: 1, last: now });
            return false;
        };
        if copies.line == line {
            copies.more = copies.more.saturating_add(1);
            copies.last = now;
            return false;
        }
        let entered_after = now - message.age;
        if copies.more > 0 && entered_after <= copies.last {
            copies.more -= 1;
            return true;
        }
        (copies.line, copies.more, copies.last) = (line, 1, now);
        false
    }
}

impl Emergencies {
    fn of(&mut self, input: &Name) -> &mut OfInput {
        if !self.0.contains_key(input) {
            self.0.insert(input.clone(), OfInput::default());
        }
        self.0.get_mut(input).expect("it is there or was just made")
    }

    pub(super) fn retain(&mut self, input: impl Fn(&Name) -> bool, machine: impl Fn(&Name) -> bool) {
        self.0.retain(|name, _| input(name));
        self.0.values_mut().for_each(|of_input| of_input.sent.retain(|name, _| machine(name)));
    }

    pub(super) fn deadline(&self) -> Option<Moment> {
        self.0.values().filter_map(|of_input| Some(of_input.repeats.as_ref()?.told_at)).min()
    }
}

/// An emergency off that has been read.
pub(super) struct Press<'a> {
    pub(super) input: &'a Input,
    pub(super) gesture: &'a Name,
    pub(super) machines: &'a [MachineIx],
    pub(super) message: &'a Message,
    pub(super) line: Line,
}

impl Engine {
    /// Whether it is to be judged. What is not, is a copy, or one more of what has been done just now.
    pub(super) fn is_new_emergency(&mut self, now: Now, press: &Press<'_>) -> bool {
        let Press { input, message, .. } = press;
        if self.emergencies.of(&input.name).is_copy(now.moment, press.line, message) {
            return false;
        }
        let stored = message.stored(true);
        let obeyed =
            |machine: &MachineIx| message.age <= self.plan.machines[*machine].policy.emergency_max_age;
        if stored || !press.machines.iter().all(obeyed) {
            // It will be told, and nothing is switched.
            let said = Said::Request(RequestKind::EmergencyOff);
            return self.quotas.allows(now.moment, &input.name, said);
        }
        if !self.was_just_sent(now.moment, press) {
            self.note_sent(now.moment, &input.name, press.machines);
            return true;
        }
        // Who waits for an answer gets one, as long as it is not a flood.
        let said = Said::Request(RequestKind::EmergencyOff);
        if message.response_topic.is_some() && self.quotas.allows(now.moment, &input.name, said) {
            return true;
        }
        self.count_repeat(now.moment, press);
        false
    }

    /// A contact that is pushed again and again within a moment: one more of what has been done just now.
    pub(super) fn is_repeated_push(&mut self, now: Moment, press: &Press<'_>) -> bool {
        if self.was_just_sent(now, press) {
            self.count_repeat(now, press);
            return true;
        }
        self.note_sent(now, &press.input.name, press.machines);
        false
    }

    fn note_sent(&mut self, now: Moment, input: &Name, machines: &[MachineIx]) {
        let machines = machines.iter().map(|machine| (self.plan.machines[*machine].name.clone(), now));
        self.emergencies.of(input).sent.extend(machines);
    }

    fn was_just_sent(&mut self, now: Moment, press: &Press<'_>) -> bool {
        let of_input = self.emergencies.of(&press.input.name);
        let flood = of_input.repeats.as_ref().is_some_and(|repeats| repeats.count >= FLOOD);
        let within = if flood { REPEAT_IN_A_FLOOD } else { REPEAT };
        press.machines.iter().all(|machine| {
            let machine = &self.machines[*machine];
            // Unlocked since: then it is meant anew. One that is only watched was never locked.
            let locked = machine.guard.lockout().is_some_and(|lockout| lockout.emergency);
            let in_force = locked || machine.rules().is_watched();
            let sent = of_input.sent.get(&machine.rules().name);
            in_force && sent.is_some_and(|at| now.since(*at) < within)
        })
    }

    fn count_repeat(&mut self, now: Moment, press: &Press<'_>) {
        self.quotas.repeated(now, &press.input.name);
        let machine = match press.machines {
            [one] => Some(self.plan.machines[*one].name.clone()),
            [] | [_, _, ..] => None,
        };
        let of_input = self.emergencies.of(&press.input.name);
        let repeats = of_input.repeats.get_or_insert_with(|| Repeats {
            machine: machine.clone(),
            gesture: press.gesture.clone(),
            count: 0,
            told_at: now + REPEAT_IN_A_FLOOD,
        });
        repeats.count += 1;
        if repeats.machine != machine {
            repeats.machine = None;
        }
    }

    /// The repeats of the last second are one decision.
    pub(super) fn tell_repeats(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.emergencies.deadline().is_none_or(|due| due > now.moment) {
            return;
        }
        for (input, of_input) in &mut self.emergencies.0 {
            let Some(repeats) = of_input.repeats.take_if(|repeats| repeats.told_at <= now.moment) else {
                continue;
            };
            let title = repeats.machine.as_ref().and_then(|machine| self.plan.machine(machine.as_str()));
            let (input, why) = (input.clone(), Why::Guard(Reason::Repeated));
            out.push(Effect::Decided(Box::new(Decided {
                title: title.map(|(_, machine)| machine.title.as_str().into()),
                machine: repeats.machine,
                gesture: Some(repeats.gesture),
                request: Some(RequestKind::EmergencyOff),
                count: repeats.count,
                ..Decided::new(now, input, Decision::Ignored, why, &self.rules_digest)
            })));
        }
    }
}

/// More repeats than hands can do.
const FLOOD: u64 = 20;
