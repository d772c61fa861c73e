//! When each input was heard last, and how its battery is.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::core::Engine;
use crate::effect::Effect;
use crate::intake;
use crate::messages::rejected;
use idlegate_guard::time::{Moment, Now};
use idlegate_plan::event::{Message, Name};
use idlegate_plan::text::tame;
use idlegate_plan::{Battery, BatteryLow, InputIx};

/// A battery that is a tenth better again was changed; one that wavers at the limit was not.
const BETTER_BY: f64 = 0.1;
const WORD_CHARS_MAX: usize = 20;

/// No more than there are inputs.
#[derive(Debug, Default)]
pub(crate) struct InputsHeard(BTreeMap<Name, OfInput>);

#[derive(Clone, Debug, Default)]
pub(super) struct OfInput {
    pub(super) heard_at: Option<Moment>,
    pub(super) battery: Option<BatteryState>,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct BatteryState {
    pub(super) is_low: bool,
    pub(super) said: Arc<str>,
}

impl InputsHeard {
    pub(super) fn of(&self, input: &Name) -> OfInput {
        self.0.get(input).cloned().unwrap_or_default()
    }

    fn heard(&mut self, now: Moment, input: &Name) {
        match self.0.get_mut(input) {
            Some(known) => known.heard_at = Some(now),
            None => {
                self.0.insert(input.clone(), OfInput { heard_at: Some(now), battery: None });
            }
        }
    }

    pub(crate) fn retain(&mut self, is_there: impl Fn(&Name) -> bool) {
        self.0.retain(|name, _| is_there(name));
    }
}

/// Nothing where the payload says neither.
fn state(rules: &Battery, payload: &[u8], before: Option<&BatteryState>) -> Result<BatteryState, String> {
    let word = intake::decode_word(&rules.source.path, payload).map_err(|fault| fault.to_string())?;
    let is_low = match &rules.low {
        BatteryLow::Word(low) => word == *low,
        BatteryLow::AtMost(most) => {
            let number =
                intake::decode_number(&rules.source.path, payload).map_err(|fault| fault.to_string())?;
            let better = most + most.abs() * BETTER_BY;
            number <= *most || (before.is_some_and(|before| before.is_low) && number < better)
        }
    };
    Ok(BatteryState { is_low, said: tame(&word, WORD_CHARS_MAX).into() })
}

impl Engine {
    /// Something came live from this input, whatever it says.
    pub(crate) fn input_heard(&mut self, now: Moment, index: InputIx, message: &Message) {
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        if input.silent_max.is_some() && !message.stored(input.sender_stores) {
            self.inputs_heard.heard(now, &input.name);
        }
    }

    pub(crate) fn battery_message(
        &mut self,
        now: Now,
        index: InputIx,
        message: &Message,
        out: &mut Vec<Effect>,
    ) {
        self.input_heard(now.moment, index, message);
        let plan = self.plan.clone();
        let input = &plan.inputs[index];
        let Some(rules) = &input.battery else { return };
        let known = self.inputs_heard.0.entry(input.name.clone()).or_default();
        match state(rules, &message.payload, known.battery.as_ref()) {
            Ok(state) => known.battery = Some(state),
            Err(fault) => out.push(rejected(now, message, fault, None)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_plan::{Source, ValuePath};

    fn battery(low: BatteryLow) -> Battery {
        Battery { source: Source { filter: "buttons/1/battery".into(), path: ValuePath::Whole }, low }
    }

    #[test]
    fn a_battery_at_its_limit_is_low_until_it_is_changed() {
        let rules = battery(BatteryLow::AtMost(15.0));
        let mut before = None;
        for (said, is_low) in [("40", false), ("16", false), ("15", true), ("16", true), ("90", false)] {
            let state = state(&rules, said.as_bytes(), before.as_ref()).unwrap();
            assert_eq!(state.is_low, is_low, "{said}");
            before = Some(state);
        }
        assert!(state(&rules, b"fine", None).is_err(), "where a number is expected");
    }

    #[test]
    fn a_word_says_it_as_well() {
        let rules = battery(BatteryLow::Word("low".to_owned()));
        let is_low = |said: &[u8]| state(&rules, said, None).unwrap().is_low;
        assert!(is_low(b"low") && !is_low(b"good") && !is_low(b"87"));
    }
}
