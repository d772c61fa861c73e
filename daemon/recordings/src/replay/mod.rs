//! Replay: the engine in virtual time over recordings, with the real detectors in their sandbox.
//!
//! A recording's readings are bound to machines' signals (`binding.rs`), merged in order of time (`timeline.rs`) and
//! given to the very engine that guards live machines (`player.rs`), on a clock that is theirs. Nothing is switched:
//! every machine is in shadow mode. A probe (`probe.rs`) asks at every step what an off would have done, without
//! asking.

mod binding;
mod comparison;
mod holds;
#[cfg(test)]
mod interlocks_tests;
mod player;
mod probe;
mod reason;
mod temporary_rules;
#[cfg(test)]
mod tests;
mod timeline;
mod trouble;

pub use binding::{BindingError, Bound, SignalPlace, bind, bind_named, path};
pub use comparison::{Asked, Compared, Comparison, Otherwise, asked, had_started};
pub use holds::holds_before;
pub use player::{Ended, Played, Player, Prospect, Question, StateChange, Stopped};
pub use probe::{MachineSum, Probe, Sum};
pub use temporary_rules::{TemporaryModule, TemporaryRules, TemporarySignal};
pub use timeline::{About, Timeline, TimelineError, Track};
pub use trouble::Troubles;
