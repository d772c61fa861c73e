//! Schedules: from the wall clock to requests, pure and without a clock of its own.
//!
//! The rules, each held to by a test:
//! - **Spring gap:** a time that the clocks jump over fires once, at the first instant after the jump.
//! - **Autumn overlap:** a time that comes twice fires once, the first time.
//! - **Stepped clock, suspension, downtime:** what fell into more than two minutes that nobody watched is missed and
//!   stays missed; with `make_up_missed` the newest of it fires, once. A clock set back repeats nothing that has fired.
//! - **No time yet:** while the wall clock stands before 2025, schedules wait.
//!
//! It must never fire one scheduled instant twice, nor two at once.

mod hours;
#[cfg(test)]
mod tests;
mod timetable;
mod watch;

pub use hours::{BadHours, Hours, Within};
pub use timetable::{BadTimetable, Timetable};
pub use watch::Watch;
