//! The guard of one machine: pure, small, and the only place where switching off is decided.
//!
//! Facts go in ([`Input`]), effects come out ([`Effect`]). There is no clock, socket, file, random source or hash map
//! in here, and whoever wants one is missing an input or an effect: without the standard library there is none to be
//! had.

#![cfg_attr(not(test), no_std)]

extern crate alloc;

mod announcement;
mod canonical;
mod contact;
mod deferral;
mod effect;
mod input;
mod keep_on;
mod locks;
mod machine;
mod orders;
mod outlet;
mod override_window;
mod place;
mod policy;
mod repeats;
mod requests;
pub mod time;
mod waiting;

#[cfg(test)]
mod tests;

pub use announcement::{Announcement, Traits};
pub use deferral::{ActiveDeferral, Phase};
pub use effect::*;
pub use input::*;
pub use locks::{LOCKS_MAX, Lockout, Locks, Person};
pub use machine::Guard;
pub use orders::Pending;
pub use override_window::OverrideWindow;
pub use place::{Place, Places};
pub use policy::*;
