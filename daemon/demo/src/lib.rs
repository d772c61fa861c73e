//! The demonstration: a workshop that is not there, a story played in it, and the guard that is real.
//!
//! [`broker`] runs inside the program, [`workshop`] is what is guarded, [`story`] what happens to it and what must come
//! of it.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod broker;
pub mod story;
pub mod workshop;
