//! The report: what each machine did in a stretch of time, what it drew and cost, what was asked and refused. From the
//! journal alone, so it can be made at any time, and beside a running guard.
//!
//! `ledger` walks the records once, `sums` and `jobs` count, the rest shows.

mod bars;
mod html;
mod jobs;
mod ledger;
mod table;
#[cfg(test)]
mod tests;

pub use html::html;
pub use jobs::Job;
pub use ledger::{Ledger, MachineSum, Period, Terms, ledger};
pub use table::{csv, json, words};
