//! power-threshold: a machine is busy above a power level, and idle only after a dwell below a lower one.
//!
//! This file holds the settings; `dwell` holds the rules, `words` the sentences. README.md explains both to people.
//! The rules are public so that a calibration can run them too.

#![forbid(unsafe_code)]

pub mod dwell;
mod words;

use dwell::{Dwell, Limits};
use idlegate_detector::settings::above_zero;
use idlegate_detector::{Assessment, Description, Detector, Millis, Reading, SettingsError, Signal, Span};
use words::Words;

/// The settings of power-threshold.
#[derive(Debug, Clone, serde::Deserialize, schemars::JsonSchema)]
pub struct Settings {
    /// Busy above this draw, in watts.
    busy_watts: f64,
    /// Counts as quiet only below this draw, in watts. At most busy_watts, and equal to it if left out.
    #[serde(default)]
    quiet_watts: Option<f64>,
    /// Idle only after being quiet for this long without a break: longer than the longest pause in a job.
    #[serde(default = "three_minutes")]
    dwell: Span,
    /// After a longer gap between readings the quiet time starts again from zero. At most dwell. If left out: 1 min, or
    /// dwell if that is shorter.
    #[serde(default)]
    gap_max: Option<Span>,
}

fn three_minutes() -> Span {
    Span::from_mins(3)
}

const GAP_MAX_DEFAULT: Span = Span::from_mins(1);

impl Settings {
    fn limits(&self) -> Result<Limits, SettingsError> {
        let &Settings { busy_watts, quiet_watts, dwell, gap_max } = self;
        let quiet_watts = quiet_watts.unwrap_or(busy_watts);
        for (name, watts) in [("busy_watts", busy_watts), ("quiet_watts", quiet_watts)] {
            above_zero(name, watts, "give watts above zero, such as 40")?;
        }
        if quiet_watts > busy_watts {
            return Err(SettingsError::new(
                "quiet_watts",
                format!("is {quiet_watts} W, more than busy_watts ({busy_watts} W)"),
                "give at most busy_watts",
            ));
        }
        if dwell == Span::ZERO {
            let remedy = "give more than the longest pause in a job, such as \"3 min\"";
            return Err(SettingsError::new("dwell", "is 0 s", remedy));
        }
        let gap_max = gap_max.unwrap_or(GAP_MAX_DEFAULT.min(dwell));
        if gap_max == Span::ZERO || gap_max > dwell {
            return Err(SettingsError::new(
                "gap_max",
                format!("is {gap_max}, and dwell is {dwell}"),
                "give more than 0 s and at most dwell, or a whole dwell could pass unseen",
            ));
        }
        Ok(Limits { busy_watts, quiet_watts, dwell, gap_max })
    }
}

/// The detector.
#[derive(Debug)]
pub struct PowerThreshold {
    dwell: Dwell,
    words: Words,
    latest: Option<Reading>,
}

impl Detector for PowerThreshold {
    type Settings = Settings;

    const DESCRIPTION: Description = Description {
        name: "power-threshold",
        version: env!("CARGO_PKG_VERSION"),
        purpose: "busy above a power level, idle after a dwell below a lower one",
        signals: &[Signal::number("power", "W", "the draw of the machine, as its outlet's meter reads it")],
    };

    fn new(settings: Settings) -> Result<Self, SettingsError> {
        let limits = settings.limits()?;
        Ok(PowerThreshold { words: Words::new(&limits), dwell: Dwell::new(limits), latest: None })
    }

    fn observe(&mut self, reading: &Reading) {
        if let Some(watts) = reading.as_number() {
            self.dwell.observe(reading.at, watts);
            self.latest = Some(Reading::number(reading.signal, reading.at, watts));
        }
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        let assessment = self.words.assessment(self.dwell.finding(now));
        match &self.latest {
            Some(latest) => assessment.because(latest),
            None => assessment,
        }
    }
}

idlegate_detector::register!(PowerThreshold);

#[cfg(test)]
mod tests;
