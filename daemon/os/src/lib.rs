//! What the computer gives: its clocks, read in one place, and files that are there whole or not at all.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod clock;
pub mod files;

pub use clock::Clock;
