//! Names as small numbers, so that the guard can carry them by value.
//!
//! Numbers are given once and never reused, so they stay right across a reload of the rules.

use std::collections::HashMap;

use idlegate_guard::InputId;
use idlegate_plan::event::Name;

#[derive(Debug)]
pub(super) struct Names {
    numbers: HashMap<Name, u16>,
    names: Vec<Name>,
}

/// Rules would have to be reloaded with ever new names for weeks to get here; then all further names share one
/// number, which makes their gestures repeats of each other: ignored, never obeyed.
const NAMES_MAX: u16 = u16::MAX - 1;

impl Names {
    /// The first number is the guard's own.
    pub(super) fn new() -> Names {
        let own = Name::new("idle-timer").expect("a constant that is a name");
        let mut names = Names { numbers: HashMap::new(), names: Vec::new() };
        names.number(&own);
        names
    }

    pub(super) fn number(&mut self, name: &Name) -> u16 {
        if let Some(number) = self.numbers.get(name) {
            return *number;
        }
        let next = u16::try_from(self.names.len()).unwrap_or(NAMES_MAX).min(NAMES_MAX);
        if next < NAMES_MAX {
            self.names.push(name.clone());
            self.numbers.insert(name.clone(), next);
        }
        next
    }

    pub(super) fn input(&mut self, name: &Name) -> InputId {
        InputId(self.number(name))
    }

    pub(super) fn name(&self, number: u16) -> Name {
        self.names.get(usize::from(number)).unwrap_or(&self.names[usize::from(InputId::IDLE_TIMER.0)]).clone()
    }

    pub(super) fn input_name(&self, input: InputId) -> Name {
        self.name(input.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_keeps_its_number_and_the_idle_timer_has_the_first() {
        let mut names = Names::new();
        let button = Name::new("bench-button").unwrap();
        let number = names.number(&button);
        assert_eq!(names.number(&button), number);
        assert_eq!(names.name(number), button);
        assert_eq!(names.input_name(InputId::IDLE_TIMER).as_str(), "idle-timer");
    }
}
