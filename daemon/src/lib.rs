//! Idlegate: one guard between every way of switching a workshop machine and the outlet that feeds it.
//!
//! The modules, in the order in which a request meets them:
//!
//! | module | what it is for |
//! | --- | --- |
//! | [`event`], [`time`], [`plan`] | shared plain data: what happens, when, under which rules |
//! | [`guard`] | the core: requests, permissives and outlet reports in, decisions and commands out |
//! | [`journal`] | the durable record of it all, and what survives a restart |

pub mod event;
pub mod guard;
pub mod journal;
pub mod plan;
pub mod time;
