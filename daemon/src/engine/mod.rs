//! The engine: intake, signals, permissives and guards put together, without any input or output of its own.

mod adopt;
mod answered;
mod circuits;
mod core;
mod detector;
mod effect;
mod forcing;
mod foreseen;
mod inputs;
mod kept;
mod machine;
mod messages;
mod names;
mod outage;
mod outlet_sight;
mod permissive;
mod router;
mod schedule;
mod status;
#[cfg(test)]
mod tests;
mod translate;

pub use circuits::Load;
pub use core::{Engine, Former};
pub use effect::*;
pub use foreseen::foreseen;
pub use router::{Classes, TopicClass, emergency_topics, request_topic, subscriptions};
pub use status::{MachineStatus, NextFiring, SignalStatus};
