//! What goes over the broker, watched and kept: a board of topics with their values and rates, and a recording of a
//! machine's signals that replay and calibrate take back in; one is kept by the guard itself (`keeper.rs`).
//!
//! Sans-I/O but for the recording's files; who listens hands the messages in.

mod board;
mod keeper;
mod packer;
mod recorder;
mod rolling;
#[cfg(test)]
mod tests;

pub use board::{Board, TopicLine};
pub use keeper::{Keeper, Keeping};
pub use packer::Packer;
pub use recorder::{Recorder, Taken};
pub use rolling::Rolling;
