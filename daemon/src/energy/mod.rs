//! Energy from the readings of a power meter: the trapezoid rule, minute by minute, with silences counted and not guessed.
//!
//! Pure: times and watts in, half-hours of minutes out. Only the monotonic clock measures; the wall clock says which
//! minute it is.

mod meter;
#[cfg(test)]
mod tests;

pub use meter::{EnergyMeter, HalfHour, MINUTES};
