//! Commissioning: from an unknown machine to a guarded one, by doing things by hand and watching what changes.
//!
//! Everything here is pure: what went over the broker is put into a [`Log`], guesses are made from it (`finding.rs`),
//! what is settled is kept in [`Notes`], rules are drafted from them, and the drill is judged by what the guard
//! publishes. The conversation is the command line's.

mod draft;
mod draws;
mod drill;
mod fields;
mod figures;
mod finding;
mod notes;
mod record;
#[cfg(test)]
mod tests;

pub use draft::{InputsError, Missing, inputs, machine};
pub use draws::{
    Fallen, Manner, fallen, fell_since, manner, numbers_since, rose_since, stale_after, stands_out,
};
pub use drill::{DrillOutcome, Item, Tried};
pub use fields::{FieldPlace, Log, Seen, Window};
pub use finding::{Button, Meter, Order, Silent, State, Turn, buttons, meter_at, meters, orders, states};
pub(crate) use notes::NOTES_FOLDER;
pub use notes::{ButtonAnswer, Notebook, NotebookError, Notes};
pub use record::{CAUTIONS, CommissioningRecord};

/// What is settled, as the notes keep it.
pub mod known {
    pub use super::notes::{Alive, Button, Limits, Meter, Order, Outlet, Reach};
}
