//! What could go wrong between a message and an order: a press judged by a reading the detector has not looked at,
//! a stored press obeyed, a request answered twice or not at all, an answer of a detector that was replaced.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

mod adopting;
mod answers;
mod blind;
mod circuits;
mod contacts;
mod coupled;
mod coupled_reloads;
mod doubts;
mod floods;
mod forcing;
mod foreign_orders;
mod groups;
mod inputs;
mod interlocks;
mod jobs;
mod lockouts;
mod locks;
mod on_change;
mod outages;
mod packs;
mod pairing;
mod permits;
mod published;
mod refreshing;
mod requests;
mod rig;
mod schedules;
mod sightings;
mod silences;
mod stopped_detectors;
mod strips;
mod stuck;
mod unswitched;
mod warnings;
mod world;
