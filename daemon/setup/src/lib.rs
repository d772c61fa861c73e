//! From an unknown machine to a guarded one.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod checkup;
pub mod commission;
pub mod detector_kit;
pub mod drills;
