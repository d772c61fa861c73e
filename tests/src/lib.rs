//! Pieces for end-to-end tests and proofs: real brokers, a connection that can be cut, a plain client.

pub mod broker;
pub mod careless;
pub mod client;
pub mod conversation;
pub mod detectors;
pub mod drills;
pub mod events;
pub mod floor;
pub mod form;
pub mod halls;
pub mod judge;
pub mod open_data;
pub mod packets;
pub mod process;
pub mod proxy;
pub mod shop;
pub mod simulation;

use std::time::Duration;

/// Whatever is waited for has this long to come. Generous: a busy computer is not a fault.
pub const DEADLINE: Duration = Duration::from_secs(30);
