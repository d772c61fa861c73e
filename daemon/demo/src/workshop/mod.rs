//! A workshop that is not there: machines with believable draw on outlets with meters.
//!
//! Pure, seeded and driven by the time passed in, so that the demo plays it fast, a simulator plays weeks of it,
//! and the same seed always gives the same days. [`face`] alone speaks to a broker.
//!
//! | module | what it is for |
//! | --- | --- |
//! | [`machine`], [`machines`] | what a machine draws and what it is really doing |
//! | [`outlet`], [`meter`] | what switches it and what sees it, with faults to order |
//! | [`station`] | the three together, and all stations as a [`Workshop`] |
//! | [`birch_lane`] | the workshop of the demo and of `examples/workshop` |
//! | [`payload`], [`speech`] | what they say, as messages |
//! | [`face`] | the same workshop on a broker |

pub mod birch_lane;
pub mod chance;
pub mod face;
pub mod machine;
pub mod machines;
pub mod meter;
pub mod outlet;
pub mod payload;
pub mod speech;
pub mod station;

pub use chance::Chance;
pub use face::WorkshopFace;
pub use machine::{Character, Jobs, MachineModel, Truth};
pub use meter::{MeterAccuracy, MeterFault, MeterModel, MeterSample};
pub use outlet::{OutletFaults, OutletModel, OutletTiming};
pub use station::{Fitting, Said, Saying, Station, Workshop};
