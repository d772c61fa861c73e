//! What could go wrong in the workshop: lights out twice on the night the clocks go back, a laser on by itself after
//! a power cut, a burst of requests when the time is set.

mod around;
mod hours;
mod steps;
