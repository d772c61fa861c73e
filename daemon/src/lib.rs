//! Idlegate: one guard between every way of switching a workshop machine and the outlet that feeds it.
//!
//! This crate is the command line and nothing else. What it asks for lies in crates beside it, each of which knows only
//! those above it in this table:
//!
//! | crate | what it is for |
//! | --- | --- |
//! | `guard` | the core: requests, permissives and outlet reports in, decisions and orders out; without the standard library |
//! | `os` | the computer's clocks and files |
//! | `plan` | the checked rules, and the words that all others share: events, topics, schedules, what is kept |
//! | `engine` | from payloads to decisions, pure: intake, signals, energy, permissives, guards |
//! | `messages` | every payload of ours as a typed value, and every sentence |
//! | `pictures` | the colours of all that shows a state; a stretch of time as SVG and as text |
//! | `link` | one connection to the broker that proves how old its messages can be |
//! | `rules` | a folder of TOML files, checked as a whole and compiled into a plan |
//! | `detectors` | the WASM host: loads busy detectors and runs them within limits |
//! | `journal` | the durable record, and what survives a restart |
//! | `recordings` | recording, capture, replay, calibration |
//! | `service` | the engine, the link, the detectors and the journal at work |
//! | `history` | why, report, export |
//! | `setup` | commissioning, checkup, the kit for makers of detectors |
//! | `demo` | a simulated workshop that tells the truth about itself, a broker inside the program, a story |

// Whatever is printed passes the one gate in `cli/output.rs`.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod cli;
