//! From messages to facts: readings and outlet states, or a rejection with its reason.

use super::core::Engine;
use super::effect::{Effect, Rejected};
use super::outlet_sight::OutletSight;
use crate::event::{Message, Name};
use crate::guard::Switch;
use crate::intake::{self, Rejection};
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
                Ok(_) => state.went_back(),
                Err(fault) => state.doubt_message(now.moment, rules, fault),
            };
        if let Err(fault) = &taken {
            out.push(rejected(now, message, fault.to_string(), None));
        }
        match taken {
            Ok(readings) if !readings.is_empty() => {
                self.with_machine(now, index, out, |machine, acts, out| {
                    // First what makes the past doubtful, then what is known since.
                    if doubtful {
                        machine.doubt(now, signal, acts);
                    }
                    machine.take_readings(now, signal, &readings, acts, out);
                })
            }
            // Older than those already here, or none: it says nothing about now, and perhaps that nothing is known.
            Ok(_) | Err(_) if doubtful => {
                self.with_machine(now, index, out, |machine, acts, _| machine.doubt(now, signal, acts));
            }
            Ok(_) | Err(_) => {}
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
            Ok(state) => Some(state),
            Err(Unclear::NotSaid(fault)) => {
                // A strip may speak of one socket at a time, and the others are as they were. As long as nothing is known
                // of the outlet it is told, since the rules may look for it in the wrong place.
                if machine.guard.outlet().is_none() {
                    out.push(rejected(now, message, fault.to_string(), None));
                }
                return;
            }
            Err(fault @ (Unclear::Unreadable(_) | Unclear::OtherWord { .. })) => {
                out.push(rejected(now, message, fault.to_string(), None));
                None
            }
        };
        self.look_at_outlet(now, index, out, |sight| sight.says(state));
    }

    pub(super) fn reach_message(&mut self, now: Now, index: usize, message: &Message, out: &mut Vec<Effect>) {
        let machine = &self.machines[index];
        let Some(rules) = &machine.rules().outlet.reach else { return };
        let reachable = match switch_of(rules, message) {
            Ok(state) => Some(state == Switch::On),
            Err(Unclear::NotSaid(_)) => return,
            Err(Unclear::Unreadable(_) | Unclear::OtherWord { .. }) => None,
        };
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

/// Why a message tells neither on nor off.
#[derive(Debug, thiserror::Error)]
enum Unclear {
    /// It is sound, and speaks of something else.
    #[error("{0}")]
    NotSaid(Rejection),
    #[error("{0}")]
    Unreadable(Rejection),
    #[error("{word:?} is neither {on:?} nor {off:?}")]
    OtherWord { word: String, on: String, off: String },
}

fn switch_of(rules: &StateTopic, message: &Message) -> Result<Switch, Unclear> {
    let word = intake::decode_word(&rules.source.path, &message.payload).map_err(|fault| {
        if fault.says_nothing() { Unclear::NotSaid(fault) } else { Unclear::Unreadable(fault) }
    })?;
    if word == rules.on {
        Ok(Switch::On)
    } else if word == rules.off {
        Ok(Switch::Off)
    } else {
        let (on, off) = (rules.on.clone(), rules.off.clone());
        Err(Unclear::OtherWord { word: intake::bounded(&word), on, off })
    }
}

pub(super) fn rejected(now: Now, message: &Message, fault: String, input: Option<&Name>) -> Effect {
    Effect::Rejected(Rejected { at: now, topic: message.topic.clone(), fault, input: input.cloned() })
}
