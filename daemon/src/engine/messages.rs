//! From messages to facts: readings and outlet states, or a rejection with its reason.

use super::core::Engine;
use super::effect::{Effect, Rejected};
use super::outlet_sight::OutletSight;
use crate::event::{Message, Name};
use crate::guard::Switch;
use crate::intake;
use crate::plan::StateTopic;
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
        let state = &mut machine.signals[signal];
        let mut arrived = Arrived::of(message, rules, read_at(now, message), now);
        // A stored message may be from last week: it neither stands in a later one's way nor casts doubt.
        if !arrived.retained {
            arrived.at = state.arrival(arrived.at);
        }
        let taken = state.take(rules, &message.payload, arrived);
        let doubtful = !arrived.retained
            && match &taken {
                Ok(Some(_)) => false,
                Ok(None) => state.doubt().is_some(),
                Err(fault) => state.doubt_message(now.moment, rules, fault),
            };
        if let Err(fault) = &taken {
            out.push(rejected(now, message, fault.to_string(), None));
        }
        match taken {
            Ok(Some(reading)) => self.with_machine(now, index, out, |machine, acts, out| {
                machine.take_reading(now, signal, &reading, acts, out);
            }),
            // Older than one already here, or none: it says nothing about now, and perhaps that nothing is known.
            Ok(None) | Err(_) if doubtful => {
                self.with_machine(now, index, out, |machine, acts, _| machine.doubt(now, signal, acts));
            }
            Ok(None) | Err(_) => {}
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
        self.look_at_outlet(now, index, out, |sight| sight.says(state));
    }

    pub(super) fn reach_message(&mut self, now: Now, index: usize, message: &Message, out: &mut Vec<Effect>) {
        let machine = &self.machines[index];
        let Some(rules) = &machine.rules().outlet.reach else { return };
        let reachable = switch_of(rules, message).ok().flatten().map(|state| state == Switch::On);
        self.look_at_outlet(now, index, out, |sight| sight.reachable(reachable));
    }

    fn look_at_outlet(
        &mut self,
        now: Now,
        index: usize,
        out: &mut Vec<Effect>,
        look: impl FnOnce(&mut OutletSight),
    ) {
        let in_sight = self.machines[index].guard.outlet().is_some();
        self.with_machine(now, index, out, |machine, acts, _| {
            look(&mut machine.sight);
            machine.take_outlet(now, acts);
        });
        if in_sight && self.machines[index].guard.outlet().is_none() {
            self.went_out_of_sight(now, index);
        }
    }
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

pub(super) fn rejected(now: Now, message: &Message, fault: String, input: Option<&Name>) -> Effect {
    Effect::Rejected(Rejected { at: now, topic: message.topic.clone(), fault, input: input.cloned() })
}
