//! What is made of readings on disk.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod calibrate;
pub mod capture;
pub mod recording;
pub mod replay;

#[cfg(test)]
mod open_data;
