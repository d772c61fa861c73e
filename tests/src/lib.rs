//! Pieces for end-to-end tests and proofs: real brokers, a connection that can be cut, a plain client.

pub mod broker;
pub mod client;
pub mod form;
pub mod open_data;
pub mod process;
pub mod proxy;
pub mod shop;
pub mod simulation;

use std::time::Duration;

/// Whatever is waited for has this long to come. Generous: a busy computer is not a fault.
pub const DEADLINE: Duration = Duration::from_secs(30);
