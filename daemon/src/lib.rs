//! Idlegate: one guard between every way of switching a workshop machine and the outlet that feeds it.
//!
//! The modules, in the order in which a request meets them:
//!
//! | module | what it is for |
//! | --- | --- |
//! | [`event`], [`time`], [`plan`] | shared plain data: what happens, when, under which rules |
//! | [`rules`] | a folder of rules, checked as a whole and compiled into a plan |
//! | [`link`] | the broker: what arrives and how old it may be, what is sent |
//! | [`guard`] | the core: requests, permissives and outlet reports in, decisions and commands out |

pub mod detectors;
pub mod event;
pub mod guard;
pub mod link;
pub mod plan;
pub mod rules;
pub mod time;
