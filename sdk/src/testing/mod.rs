//! Runs a detector natively, as the host would run it in the sandbox: over a recording or step by step.
//!
//! ```
//! # use idlegate_detector::*;
//! # #[derive(serde::Deserialize, schemars::JsonSchema)] struct Settings { limit: f64 }
//! # struct Limit(f64, f64);
//! # impl Detector for Limit {
//! #     type Settings = Settings;
//! #     const DESCRIPTION: Description = Description {
//! #         name: "limit", version: "1.0.0", purpose: "busy above a limit", signals: &[Signal::number("power", "W", "")],
//! #     };
//! #     fn new(s: Settings) -> Result<Self, SettingsError> { Ok(Limit(s.limit, 0.0)) }
//! #     fn observe(&mut self, r: &Reading) { self.1 = r.as_number().unwrap_or(0.0); }
//! #     fn assess(&mut self, _: Millis) -> Assessment {
//! #         if self.1 > self.0 { Assessment::busy("above") } else { Assessment::idle("below") }
//! #     }
//! # }
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use idlegate_detector::testing::{Recording, run};
//!
//! let csv = "time,power\n2026-01-05T10:00:00Z,3\n2026-01-05T10:00:10Z,90\n2026-01-05T10:00:30Z,3\n";
//! let run = run::<Limit>(r#"{ "limit": 40 }"#, &Recording::from_csv::<Limit>(csv)?)?;
//! let busy = run.busy_spans();
//! assert_eq!(busy.len(), 1);
//! assert_eq!(busy[0].length(), Span::from_secs(20));
//! # Ok(())
//! # }
//! ```

mod csv;
mod guarded;
mod recording;
mod run;

pub use guarded::run_guarded;
pub use recording::{Recording, RecordingError};
pub use run::{Period, Run, Step, Trial, run};
