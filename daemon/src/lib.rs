//! Idlegate: one guard between every way of switching a workshop machine and the outlet that feeds it.
//!
//! The modules, in the order in which a request meets them:
//!
//! | module | what it is for |
//! | --- | --- |
//! | [`event`], [`time`], [`plan`] | shared plain data: what happens, when, under which rules |
//! | [`link`] | the broker: what arrives and how old it may be, what is sent |
//! | [`guard`] | the core: requests, permissives and outlet reports in, decisions and commands out |
//! | [`demo`] | a workshop to play with |

pub mod demo;
pub mod event;
pub mod guard;
pub mod link;
pub mod plan;
pub mod time;
