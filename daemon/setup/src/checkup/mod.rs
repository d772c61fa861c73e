//! A look at the workshop as it runs: what the rules count on, beside what the broker carries. Pure: who listens hands
//! the messages in, and every finding comes with what to do about it.

mod finding;
mod silence;
#[cfg(test)]
mod tests;
mod track;
mod watch;

pub use finding::{Finding, Weight};
pub use silence::Rhythm;
pub(crate) use silence::same_device;
pub use watch::TopicWatch;
