//! Commissioning: from an unknown machine to a guarded one, by doing things by hand and watching what changes.
//!
//! Everything here is pure: what went over the broker is put into a [`Log`], guesses are made from it (`finding.rs`), what
//! is settled is kept in [`Notes`], rules are drafted from them, and the drill is judged by what the guard publishes. The
//! conversation is the command line's.

mod draft;
mod drill;
mod fields;
mod finding;
mod notes;
mod record;
#[cfg(test)]
mod tests;

pub use draft::{InputsError, Missing, inputs, machine};
pub use drill::{Item, Outcome, Tried};
pub use fields::{Log, Place, Seen, Window};
pub use finding::{Button, Meter, Order, State, Turn, buttons, meters, orders, states};
pub use notes::{ButtonAnswer, Notebook, NotebookError, Notes};
pub use record::{CAUTIONS, Page};

/// What is settled, as the notes keep it.
pub mod known {
    pub use super::notes::{Button, Limits, Meter, Order, Outlet};
}
