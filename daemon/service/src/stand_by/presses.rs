//! Emergencies that whoever guards has not answered yet.
//!
//! A press is kept until its answer is heard, or for a minute: by then somebody has pulled the plug, or pressed again.

use std::collections::{BTreeSet, VecDeque};

use idlegate_engine::emergency_topics;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::{Message, Name};
use idlegate_plan::{Plan, topic};

const KEPT_FOR: Span = Span::secs(60);
/// A flood drops the newest: the first press is the one that counts.
const KEPT_MAX: usize = 64;

#[derive(Debug, Default)]
pub(super) struct Presses {
    inputs: Vec<Emergency>,
    kept: VecDeque<Press>,
}

/// An emergency input, as far as our own machines are concerned.
#[derive(Debug)]
struct Emergency {
    filter: String,
    input: Name,
    machines: BTreeSet<Name>,
}

#[derive(Debug)]
struct Press {
    input: Name,
    /// Those of ours that it has not been answered for. At another site somebody else answers for others.
    machines: BTreeSet<Name>,
    /// It was made then or later.
    since: Moment,
    message: Message,
}

impl Presses {
    pub(super) fn follow(&mut self, plan: &Plan) {
        let machines = |input: &Name| {
            let input = plan.input(input.as_str()).map(|(_, input)| input);
            let machines = input.into_iter().flat_map(|input| &input.machines);
            machines.map(|machine| plan.machines[*machine].name.clone()).collect()
        };
        let topics = emergency_topics(plan).into_iter();
        self.inputs =
            topics.map(|(filter, input)| Emergency { filter, machines: machines(&input), input }).collect();
    }

    pub(super) fn filters(&self) -> impl Iterator<Item = &str> {
        self.inputs.iter().map(|emergency| emergency.filter.as_str())
    }

    /// Whether it is one of an emergency input's.
    pub(super) fn hear(&mut self, now: Moment, message: &Message) -> bool {
        self.forget_old(now);
        let mut heard = false;
        for Emergency { filter, input, machines } in &self.inputs {
            if !topic::matches(filter, &message.topic) {
                continue;
            }
            heard = true;
            if self.kept.len() < KEPT_MAX {
                let since = now - message.age;
                let (input, machines) = (input.clone(), machines.clone());
                self.kept.push_back(Press { input, machines, since, message: message.clone() });
            }
        }
        heard
    }

    /// Whoever guards this machine has decided on an emergency off that this input asked for.
    pub(super) fn answered(&mut self, input: &str, machine: &str) {
        for press in self.kept.iter_mut().filter(|press| press.input.as_str() == input) {
            press.machines.retain(|ours| ours.as_str() != machine);
        }
        self.kept.retain(|press| !press.machines.is_empty());
    }

    /// Those that nobody answered, each once, as old as they are now.
    pub(super) fn take(&mut self, now: Now) -> Vec<Message> {
        self.forget_old(now.moment);
        let mut taken: Vec<Message> = Vec::new();
        for Press { since, message, .. } in self.kept.drain(..) {
            let message = Message { age: now.moment.since(since), ..message };
            // One message may belong to several inputs; the engine finds them all by itself.
            if taken.last() != Some(&message) {
                taken.push(message);
            }
        }
        taken
    }

    fn forget_old(&mut self, now: Moment) {
        self.kept.retain(|press| now.since(press.since) < KEPT_FOR);
    }
}

#[cfg(test)]
mod tests {
    use bytes::Bytes;

    use super::*;

    fn presses() -> Presses {
        let name = |name: &str| Name::new(name).unwrap();
        let input = |input: &str| Emergency {
            filter: format!("contacts/{input}"),
            input: name(input),
            machines: ["mill", "lathe"].map(name).into(),
        };
        let inputs = vec![input("red"), input("door")];
        Presses { inputs, kept: VecDeque::new() }
    }

    fn press(topic: &str) -> Message {
        Message {
            topic: topic.into(),
            payload: Bytes::from_static(b"open"),
            retained: false,
            proved: true,
            ours: false,
            age: Span(20),
            response_topic: None,
            correlation: None,
        }
    }

    fn now(moment: u64) -> Now {
        Now { moment: Moment(moment), ..Now::default() }
    }

    #[test]
    fn a_press_that_nobody_answered_is_taken_as_old_as_it_is() {
        let mut presses = presses();
        assert!(presses.hear(Moment(1_000), &press("contacts/red")));
        assert!(!presses.hear(Moment(1_000), &press("meters/mill")));
        let taken = presses.take(now(1_500));
        assert_eq!(taken, [Message { age: Span(520), ..press("contacts/red") }]);
        assert_eq!(presses.take(now(1_500)), [], "and only once");
    }

    #[test]
    fn an_answer_is_for_its_own_input() {
        let mut presses = presses();
        presses.hear(Moment(1_000), &press("contacts/red"));
        presses.hear(Moment(1_000), &press("contacts/door"));
        presses.answered("red", "mill");
        presses.answered("red", "lathe");
        assert_eq!(presses.take(now(1_000)).len(), 1);
    }

    #[test]
    fn an_answer_for_one_machine_is_none_for_another() {
        let mut presses = presses();
        presses.hear(Moment(1_000), &press("contacts/red"));
        // Another hall's guard answers for its own machine, and ours for one of two.
        presses.answered("red", "kiln");
        presses.answered("red", "mill");
        assert_eq!(presses.take(now(1_000)).len(), 1);
    }

    #[test]
    fn an_old_press_is_forgotten() {
        let mut presses = presses();
        presses.hear(Moment(1_000), &press("contacts/red"));
        assert_eq!(presses.take(now(61_000)), []);
    }
}
