//! What happened, read from the journal.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod account;
pub mod report;
pub mod trial;
