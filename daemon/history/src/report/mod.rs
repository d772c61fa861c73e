//! The report: what each machine did in a stretch of time, what it drew and cost, what was asked and refused. From the
//! journal alone, so it can be made at any time, and beside a running guard.
//!
//! `ledger` walks the records once, from what `opening` knows; `book`, `jobs` and `cuts` count, the rest shows.

mod blind;
mod book;
mod calendar;
mod cuts;
mod html;
mod jobs;
mod ledger;
mod opening;
mod recorded;
mod services;
mod silences;
mod table;
#[cfg(test)]
mod tests;

pub use blind::BlindTime;
pub use cuts::{CutJob, How};
pub use html::html;
pub(crate) use html::{frame, table};
pub use jobs::Job;
pub use ledger::{
    Doing, Followed, Ledger, MachineSum, Period, ShadowOff, ShadowSays, ShadowSum, Stretch, Terms, ledger,
};
pub use services::{ServiceSum, services};
pub use silences::{Advice, NearMiss, Silences, advice};
pub use table::{csv, json, words};
