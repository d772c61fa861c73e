//! What could go wrong in the workshop, and what the guard makes of it. Each table is a story: steps at their
//! times, and every effect that follows, ticks included. What a story does not list must not happen.

mod contacts;
mod control;
mod deferrals;
mod forces;
mod fresh;
mod hygiene;
mod incidents;
mod invariants;
mod keep_on;
mod lockouts;
mod locks;
mod oracle;
mod orders;
mod override_window;
mod places;
mod requests;
mod restart;
mod story;
mod way_out;
mod words;
