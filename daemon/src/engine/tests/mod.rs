//! What could go wrong between a message and an order: a press judged by a reading the detector has not looked at,
//! a stored press obeyed, a request answered twice or not at all, an answer of a detector that was replaced.

mod adopting;
mod circuits;
mod doubts;
mod forcing;
mod inputs;
mod outages;
mod packs;
mod permits;
mod published;
mod refreshing;
mod requests;
mod schedules;
mod sightings;
mod strips;
mod stuck;
mod world;
