//! power-threshold: a machine is busy above a power level, and idle only after a dwell below a lower one.
//!
//! This file holds the settings; `dwell` holds the rules, `words` the sentences. README.md explains both to people.
//! The rules are public so that a calibration can rehearse with them.

#![forbid(unsafe_code)]

pub mod dwell;
mod words;

use dwell::{Dwell, Limits};
use idlegate_detector::{Assessment, Description, Detector, Millis, Reading, SettingsError, Signal, Span};
use words::Words;

/// The settings of power-threshold.
#[derive(Debug, Clone, serde::Deserialize, schemars::JsonSchema)]
pub struct Settings {
    /// Busy above this draw, in watts.
    busy_above: f64,
    /// Counts as quiet only below this draw, in watts. At most busy_above, which it is if left out.
    #[serde(default)]
    idle_below: Option<f64>,
    /// Idle only after being quiet for this long without a break: longer than the longest pause of a job.
    #[serde(default = "three_minutes")]
    idle_for: Span,
    /// A longer gap between readings starts the time of quiet anew. At most idle_for; if left out 1 min, or idle_for
    /// if that is shorter.
    #[serde(default)]
    gap_max: Option<Span>,
}

fn three_minutes() -> Span {
    Span::from_mins(3)
}

const GAP_MAX_DEFAULT: Span = Span::from_mins(1);

impl Settings {
    fn limits(&self) -> Result<Limits, SettingsError> {
        let &Settings { busy_above, idle_below, idle_for, gap_max } = self;
        let idle_below = idle_below.unwrap_or(busy_above);
        for (name, watts) in [("busy_above", busy_above), ("idle_below", idle_below)] {
            if !watts.is_finite() || watts <= 0.0 {
                return Err(SettingsError::new(
                    name,
                    format!("is {watts}"),
                    "give watts above zero, such as 40",
                ));
            }
        }
        if idle_below > busy_above {
            return Err(SettingsError::new(
                "idle_below",
                format!("is {idle_below} W, more than busy_above with {busy_above} W"),
                "give at most busy_above",
            ));
        }
        if idle_for == Span::ZERO {
            let remedy = "give more than the longest pause of a job, such as \"3 min\"";
            return Err(SettingsError::new("idle_for", "is 0 s", remedy));
        }
        let gap_max = gap_max.unwrap_or(GAP_MAX_DEFAULT.min(idle_for));
        if gap_max == Span::ZERO || gap_max > idle_for {
            return Err(SettingsError::new(
                "gap_max",
                format!("is {gap_max}, idle_for is {idle_for}"),
                "give more than 0 s and at most idle_for, or a whole dwell could pass unseen",
            ));
        }
        Ok(Limits { busy_above_watts: busy_above, idle_below_watts: idle_below, idle_for, gap_max })
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
