//! Which signal of which machine a recorded signal is.

use crate::recording::of_sign;
use idlegate_plan::{MachineIx, Plan, SignalIx, indexed};

/// A signal of a machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SignalPlace {
    pub machine: MachineIx,
    pub signal: SignalIx,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bound {
    To(SignalPlace),
    /// Signs of life of its meter.
    ToSign(SignalPlace),
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
    // A signal may well be called "alive".
    if let Some(signal) = of_sign(name).filter(|_| named.is_empty() && unit.is_none()) {
        return Ok(match bind(plan, signal, None)? {
            Bound::To(place) | Bound::ToSign(place) => Bound::ToSign(place),
            Bound::ToNothing => Bound::ToNothing,
        });
    }
    let found = if named.is_empty() {
        let of_unit = |place: &SignalPlace| {
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
pub fn bind_named(plan: &Plan, name: &str) -> Result<SignalPlace, BindingError> {
    match bind(plan, name, None)? {
        Bound::To(place) => Ok(place),
        Bound::ToSign(_) | Bound::ToNothing => {
            let all = places(plan, |_, _| true);
            let known = all.iter().map(|place| path(plan, *place)).collect::<Vec<_>>().join(", ");
            Err(BindingError::Unknown { name: name.to_owned(), known })
        }
    }
}

/// `machine/signal`
pub fn path(plan: &Plan, place: SignalPlace) -> String {
    let machine = &plan.machines[place.machine];
    format!("{}/{}", machine.name, machine.signals[place.signal].name)
}

fn places(plan: &Plan, fits: impl Fn(&str, &str) -> bool) -> Vec<SignalPlace> {
    let mut places = Vec::new();
    for (machine, rules) in indexed(&plan.machines) {
        for (signal, of) in indexed(&rules.signals) {
            if of.of_machine().is_none() && fits(rules.name.as_str(), of.name.as_str()) {
                places.push(SignalPlace { machine, signal });
            }
        }
    }
    places
}
