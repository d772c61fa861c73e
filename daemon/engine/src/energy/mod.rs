//! Energy from the readings of a power meter: the trapezoid rule, minute by minute, with silences counted and not
//! guessed.
//!
//! Pure: times and watts in, records of minutes out. Only the monotonic clock measures; the wall clock says which
//! minute it is.

mod counter;
mod meter;
#[cfg(test)]
mod tests;

pub use counter::Counter;
pub use meter::{EnergyMeter, Metered};
