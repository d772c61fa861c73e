//! The whole program against a real broker, from the bytes that come in to the orders that an outlet received; and what
//! must agree between its parts.
//!
//! One program for all of them: what they share is compiled and linked once.

mod access;
mod aftermath;
mod answers;
mod broken_rules;
mod commission;
mod described;
mod detector_agreement;
mod doubts;
mod expiry;
mod first_hour;
mod foreign_orders;
mod groups;
mod hall;
mod kept_readings;
mod levels;
mod link;
mod lockouts;
mod monitor;
mod on_change;
mod page;
mod red_button;
mod reload;
mod shadow;
mod simulation;
mod sites;
mod stand_by;
mod stored;
mod unswitched;
mod unusual;
mod upkeep;
mod whole_guard;
