//! Idlegate: one guard between every way of switching a workshop machine and the outlet that feeds it.
//!
//! The modules, in the order in which a request meets them:
//!
//! | module | what it is for |
//! | --- | --- |
//! | [`event`], [`time`], [`plan`], [`topic`], [`kept`], [`answered`] | shared plain data: what happens, when, under which rules, and what of it survives a restart |
//! | [`rules`] | a folder of TOML files, checked as a whole and compiled into a plan |
//! | [`link`] | the broker: what arrives and how old it may be, what is sent |
//! | [`intake`] | pure: from payloads to values, or a reason for rejecting them |
//! | [`signals`] | the newest reading of each signal, and whether it is fresh |
//! | [`detectors`] | the WASM host: loads busy detectors and runs them within limits |
//! | [`guard`] | the core: requests, permissives and outlet reports in, decisions and orders out |
//! | [`schedules`] | pure: from the wall clock to requests that are due |
//! | [`engine`] | all of these put together, without input or output |
//! | [`effects`] | from effects to messages and words |
//! | [`journal`] | the durable record, and what survives a restart |
//! | [`recording`] | readings on disk, to replay and to calibrate from |
//! | [`calibrate`] | from recordings of a draw to the settings of a detector |
//! | [`checkup`] | what the rules count on beside what the broker carries, with remedies |
//! | [`commission`] | from what is done by hand to a machine's rules, and the drill that shows they hold |
//! | [`replay`] | the engine in virtual time over recordings |
//! | [`palette`] | the colours of everything that shows a state |
//! | [`picture`] | a stretch of time as SVG and as text |
//! | [`demo`] | a simulated workshop that tells the truth about itself, a broker inside the program, a story |
//! | [`service`] | the engine, the link, the detectors and the journal at work |
//! | [`cli`] | the command line, one file per command |

pub mod account;
pub mod answered;
pub mod calibrate;
pub mod capture;
pub mod checkup;
pub mod cli;
pub mod commission;
pub mod demo;
pub mod detectors;
pub mod effects;
pub mod energy;
pub mod engine;
pub mod event;
pub mod files;
pub mod guard;
pub mod intake;
pub mod journal;
pub mod kept;
pub mod kit;
pub mod link;
#[cfg(test)]
mod open_data;
pub mod palette;
pub mod picture;
pub mod plan;
pub mod recording;
pub mod replay;
pub mod report;
pub mod rules;
pub mod schedules;
pub mod service;
pub mod signals;
pub mod text;
pub mod time;
pub mod topic;
