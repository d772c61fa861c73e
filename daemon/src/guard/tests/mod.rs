//! What could go wrong in the workshop, and what the guard makes of it. Each table is a story: steps at their
//! times, and every effect that follows, ticks included. What a story does not list must not happen.

mod deferrals;
mod forces;
mod fresh;
mod hygiene;
mod incidents;
mod invariants;
mod lockouts;
mod oracle;
mod orders;
mod override_window;
mod purity;
mod requests;
mod restart;
mod story;
mod words;
