//! What is drawn: the colours of everything that shows a state, and a stretch of time as SVG and as text.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod palette;
pub mod picture;
