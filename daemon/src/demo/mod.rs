//! A workshop to play with: everything but the machines is real.

pub mod broker;
