//! The drill of commissioning, again and again: what came of each item when it was tried last, and which are due.
//!
//! Pure, but for the book in which it is kept. The conversation is the command line's.

mod book;
mod due;
mod fingerprint;
mod record;
#[cfg(test)]
mod tests;
mod way;

pub use book::{DrillBook, DrillBookError, Drills, LastTry};
pub use due::{DueItem, DueReason, applicable, due, due_in_words};
pub use fingerprint::Fingerprints;
pub use record::DrillRecord;
pub use way::{Way, ways};
