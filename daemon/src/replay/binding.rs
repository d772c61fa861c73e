//! Which signal of which machine a recorded signal is.

use crate::plan::Plan;

/// A signal of a machine, both by index into the plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    pub machine: usize,
    pub signal: usize,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bound {
    To(Place),
    /// The rules have no use for it.
    ToNothing,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BindingError {
    #[error("{name:?} could be {choices}; use --signal MACHINE/SIGNAL=FILE to say which")]
    Ambiguous { name: String, choices: String },
    #[error("the rules have no signal {name:?}; known signals: {known}")]
    Unknown { name: String, known: String },
}

/// The signal of this name: `machine/signal`, or a signal's name that only one machine has, or else the only signal in
/// this unit. A recording may well hold more than the rules want.
pub fn bind(plan: &Plan, name: &str, unit: Option<&str>) -> Result<Bound, BindingError> {
    let named = places(plan, |machine, signal| name == signal || name == format!("{machine}/{signal}"));
    let found = if named.is_empty() {
        let of_unit = |place: &Place| {
            let signal = &plan.machines[place.machine].signals[place.signal];
            unit.is_some_and(|unit| signal.unit() == unit)
        };
        places(plan, |_, _| true).into_iter().filter(of_unit).collect()
    } else {
        named
    };
    match found[..] {
        [] => Ok(Bound::ToNothing),
        [place] => Ok(Bound::To(place)),
        _ => {
            let choices = found.iter().map(|place| path(plan, *place)).collect::<Vec<_>>().join(" or ");
            Err(BindingError::Ambiguous { name: name.to_owned(), choices })
        }
    }
}

/// The signal that somebody names on purpose.
pub fn bind_named(plan: &Plan, name: &str) -> Result<Place, BindingError> {
    match bind(plan, name, None)? {
        Bound::To(place) => Ok(place),
        Bound::ToNothing => {
            let all = places(plan, |_, _| true);
            let known = all.iter().map(|place| path(plan, *place)).collect::<Vec<_>>().join(", ");
            Err(BindingError::Unknown { name: name.to_owned(), known })
        }
    }
}

/// `machine/signal`
pub fn path(plan: &Plan, place: Place) -> String {
    let machine = &plan.machines[place.machine];
    format!("{}/{}", machine.name, machine.signals[place.signal].name)
}

fn places(plan: &Plan, fits: impl Fn(&str, &str) -> bool) -> Vec<Place> {
    let mut places = Vec::new();
    for (machine, rules) in plan.machines.iter().enumerate() {
        for (signal, of) in rules.signals.iter().enumerate() {
            if fits(rules.name.as_str(), of.name.as_str()) {
                places.push(Place { machine, signal });
            }
        }
    }
    places
}
