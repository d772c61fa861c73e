//! Write a busy detector for Idlegate.
//!
//! A *busy detector* turns readings of a machine (power, temperature, a status word) into an assessment: busy,
//! idle, or unknown. Idlegate runs it in a sandbox and lets power be cut only when every detector says idle.
//!
//! A detector is a type that implements [`Detector`] and one line, [`register!`]. It has no clock, no files and no
//! network: it knows only its settings, and the readings and the time that the host passes in. So it can be tested
//! natively, with [`testing`], and gives the same answers in the sandbox.
//!
//! ```
//! use idlegate_detector::{quantity, Assessment, Description, Detector, Millis, Reading, SettingsError, Signal};
//!
//! /// Busy while the tube draws current.
//! #[derive(serde::Deserialize, schemars::JsonSchema)]
//! struct Settings {
//!     /// Busy above this tube current, in milliampere.
//!     firing_above: f64,
//! }
//!
//! struct LaserTube {
//!     firing_above: f64,
//!     latest: Option<Reading>,
//! }
//!
//! impl Detector for LaserTube {
//!     type Settings = Settings;
//!     const DESCRIPTION: Description = Description {
//!         name: "laser-tube",
//!         version: "1.0.0",
//!         purpose: "busy while the laser tube draws current",
//!         signals: &[Signal::number("tube-current", "mA", "the current through the tube")],
//!     };
//!
//!     fn new(settings: Settings) -> Result<Self, SettingsError> {
//!         if settings.firing_above <= 0.0 {
//!             return Err(SettingsError::new("firing_above", "is not above zero", "give a current such as 0.5"));
//!         }
//!         Ok(LaserTube { firing_above: settings.firing_above, latest: None })
//!     }
//!
//!     fn observe(&mut self, reading: &Reading) {
//!         self.latest = Some(reading.clone());
//!     }
//!
//!     fn assess(&mut self, _now: Millis) -> Assessment {
//!         let Some(latest) = &self.latest else { return Assessment::unknown("no tube current yet") };
//!         let Some(current) = latest.as_number() else { return Assessment::unknown("the tube current is no number") };
//!         let reason = format!("{}, firing above {}", quantity(current, "mA"), quantity(self.firing_above, "mA"));
//!         if current > self.firing_above {
//!             Assessment::busy(reason).because(latest)
//!         } else {
//!             Assessment::idle(reason).because(latest)
//!         }
//!     }
//! }
//!
//! idlegate_detector::register!(LaserTube);
//!
//! # fn main() -> Result<(), SettingsError> {
//! use idlegate_detector::{testing, Verdict};
//! let recording = testing::Recording::of_numbers([(0, 0.1), (1_000, 7.5), (2_000, 0.1)]);
//! let run = testing::run::<LaserTube>(r#"{ "firing_above": 0.5 }"#, &recording)?;
//! assert_eq!(run.verdicts(), [Verdict::Idle, Verdict::Busy, Verdict::Idle]);
//! # Ok(())
//! # }
//! ```
//!
//! The map, in the order a reading meets it: [`mod@settings`] makes a detector, `screen` keeps out what it did not
//! ask for, the detector itself answers with an [`Assessment`]; `guest` carries all of that across the wall of the sandbox.

#![warn(missing_docs)]
// In the sandbox the generated bindings need it, and nothing else does.
#![cfg_attr(not(target_arch = "wasm32"), forbid(unsafe_code))]

mod assessment;
mod description;
mod detector;
#[cfg(any(target_arch = "wasm32", test))]
mod last_words;
mod latest;
mod reading;
mod screen;
pub mod settings;
mod time;
mod timing;
mod words;

#[cfg(target_arch = "wasm32")]
#[doc(hidden)]
pub mod guest;
#[cfg(not(target_arch = "wasm32"))]
pub mod testing;

pub use assessment::{Assessment, Verdict};
pub use description::{Description, Signal, ValueKind};
pub use detector::Detector;
pub use latest::Latest;
pub use reading::{Reading, Value};
pub use settings::{SettingsError, settings_schema};
pub use time::{Millis, Span, SpanError};
pub use timing::{AfterRun, Dwell, Hysteresis, Rest};
pub use words::{Quantity, quantity};
