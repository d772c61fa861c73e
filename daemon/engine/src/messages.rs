//! From messages to facts: readings and outlet states, or a rejection with its reason.

use super::core::Engine;
use super::effect::{Effect, Rejected};
use super::outlet_sight::OutletSight;
use crate::intake::{self, Rejection};
use crate::signals::{self, Arrived, Sign};
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Now};
use idlegate_plan::event::{Message, Name};
use idlegate_plan::{MachineIx, SignalIx, StateTopic, text};

impl Engine {
    pub(super) fn signal_message(
        &mut self,
        now: Now,
        index: MachineIx,
        signal: SignalIx,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let machine = &mut self.machines[index];
        let rules = &machine.plan.machines[index].signals[signal];
        let state = &mut machine.signals[signal];
        let lapsed = state.lapse(now.moment, rules);
        let mut arrived = Arrived::of(message, rules, read_at(now, message), now);
        // A stored message may be from last week: it neither stands in a later one's way nor casts doubt.
        let mut stood_still = false;
        if !arrived.retained {
            (arrived.at, stood_still) = state.arrival(now.moment, message.waited(), rules);
        }
        let taken = state.take(rules, &message.payload, arrived);
        // Where a silence is believed, a message that came live must not be passed over for its flag.
        let counts = !arrived.retained || (arrived.flagged && rules.on_change().is_some());
        let doubtful = (lapsed || stood_still)
            | match &taken {
                Ok(_) => state.went_back(),
                Err(fault) => counts && state.doubt_message(now.moment, rules, fault),
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

    /// A message that may be a sign of life of a meter that speaks only when its value changes.
    pub(super) fn sign_message(
        &mut self,
        now: Now,
        index: MachineIx,
        signal: SignalIx,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let machine = &mut self.machines[index];
        let (outlet, rules) = {
            let machine = &machine.plan.machines[index];
            (&machine.outlet, &machine.signals[signal])
        };
        let Some(sign) = signals::sign(rules, outlet, message) else { return };
        let state = &mut machine.signals[signal];
        let mut doubtful = state.lapse(now.moment, rules);
        match sign {
            Sign::Alive => state.lives(read_at(now, message)),
            Sign::Flagged => state.lives_flagged(),
            Sign::Gone => doubtful |= state.is_gone(now.moment, rules),
        }
        self.with_machine(now, index, out, |machine, acts, _| {
            if doubtful {
                machine.doubt(now, signal, acts);
            } else {
                machine.refresh_permissive(now, acts);
            }
        });
    }

    pub(super) fn outlet_message(
        &mut self,
        now: Now,
        index: MachineIx,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        let machine = &self.machines[index];
        let Some(rules) = &machine.rules().outlet.state else { return };
        let state = match switch_of(rules, message) {
            Ok(state) => Some(state),
            Err(Unclear::NotSaid(fault)) => {
                // A strip may speak of one socket at a time, and the others are as they were. As long as nothing is
                // known of the outlet it is told, since the rules may look for it in the wrong place.
                if machine.guard.outlet().is_none() {
                    out.push(rejected(now, message, fault.to_string(), None));
                }
                return;
            }
            Err(fault @ (Unclear::Unreadable(_) | Unclear::OtherWord { .. })) => {
                self.machines[index].eyes.outlet_unclear = Some(fault.to_string().into());
                out.push(rejected(now, message, fault.to_string(), None));
                None
            }
        };
        if state.is_some() {
            self.machines[index].eyes.outlet_unclear = None;
        }
        self.look_at_outlet(now, index, out, |sight| sight.says(state));
    }

    pub(super) fn reach_message(
        &mut self,
        now: Now,
        index: MachineIx,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
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
        index: MachineIx,
        out: &mut Vec<Effect>,
        look: impl FnOnce(&mut OutletSight),
    ) {
        let before = self.machines[index].guard.outlet();
        self.with_machine(now, index, out, |machine, acts, _| {
            look(&mut machine.sight);
            machine.take_outlet(now, acts);
        });
        if let Some(was) = before.filter(|_| self.machines[index].guard.outlet().is_none()) {
            self.went_out_of_sight(now, index);
            self.may_be_without_power(now, index, was);
        }
    }
}

fn read_at(now: Now, message: &Message) -> Moment {
    now.moment - message.waited()
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
        Err(Unclear::OtherWord { word: text::bounded(&word), on, off })
    }
}

pub(super) fn rejected(now: Now, message: &Message, fault: String, input: Option<&Name>) -> Effect {
    Effect::Rejected(Rejected { at: now, topic: message.topic.clone(), fault, input: input.cloned() })
}
