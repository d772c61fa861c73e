//! The guard of one machine: pure, small, and the only place where switching off is decided.
//!
//! Facts go in ([`Input`]), effects come out ([`Effect`]). There is no clock, socket, file, random source or hash
//! map in here, and whoever wants one is missing an input or an effect.

mod canonical;
mod deferral;
mod effect;
mod input;
mod machine;
mod orders;
mod outlet;
mod override_window;
mod policy;
mod repeats;
mod requests;
mod waiting;

#[cfg(test)]
mod tests;

pub use deferral::{Phase, Standing};
pub use effect::*;
pub use input::*;
pub use machine::Guard;
pub use orders::Pending;
pub use override_window::OverrideWindow;
pub use policy::*;
