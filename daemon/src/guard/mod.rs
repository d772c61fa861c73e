//! The guard of one machine: pure, small, and the only place where switching off is decided.

mod effect;
mod input;
mod policy;

pub use effect::*;
pub use input::*;
pub use policy::*;
