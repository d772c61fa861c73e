//! Replay: the engine in virtual time over recordings, with the real detectors in their sandbox.
//!
//! A recording's readings are bound to machines' signals (`binding.rs`), merged in order of time (`timeline.rs`) and
//! given to the very engine that guards live machines (`player.rs`), on a clock that is theirs. Nothing is switched:
//! every machine is in shadow mode. A probe (`probe.rs`) asks at every step what an off would have done, without asking.

mod binding;
mod player;
mod probe;
mod quick;
#[cfg(test)]
mod tests;
mod timeline;
mod trouble;

pub use binding::{BindingError, Bound, Place, bind, bind_named, path};
pub use player::{Change, Ended, Heard, Player, Stopped};
pub use probe::{MachineSum, Probe, Sum};
pub use quick::{QuickModule, QuickRules, QuickSignal};
pub use timeline::{Timeline, TimelineError, Track};
pub use trouble::Troubles;
