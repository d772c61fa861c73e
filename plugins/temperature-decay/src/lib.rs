//! temperature-decay: a machine is busy while it is hot or heating up. While it cools, the detector gives the least
//! time until it is safe.
//!
//! In the order a reading meets them: `cooling` holds the rules, `window` the recent readings, `forecast` the lower
//! bound, `newton` the arithmetic. This file holds the settings and the words. README.md explains all of it to people.

#![forbid(unsafe_code)]

mod cooling;
mod forecast;
pub mod newton;
mod window;

use cooling::{Cooling, Finding, Limits};
use idlegate_detector::settings::{above_zero, at_least};
use idlegate_detector::{
    Assessment, Description, Detector, Millis, Reading, SettingsError, Signal, Span, quantity,
};

/// The settings of temperature-decay.
#[derive(Debug, Clone, serde::Deserialize, schemars::JsonSchema)]
pub struct Settings {
    /// Busy at this temperature and above, in degrees Celsius.
    safe_below: f64,
    /// The lowest the temperature around the machine can be, in degrees Celsius. Fitted if left out.
    #[serde(default)]
    ambient: Option<f64>,
    /// Busy while warmer than the lowest reading in the window by more than this, in degrees Celsius.
    #[serde(default = "two_degrees")]
    rise_max: f64,
    /// Idle only after staying safe for this long without a break.
    #[serde(default = "one_minute")]
    dwell: Span,
    /// How far back the fit and the search for a rise go.
    #[serde(default = "ten_minutes")]
    window: Span,
    /// After a longer gap between readings the fit and the dwell start again from nothing.
    #[serde(default = "two_minutes")]
    gap_max: Span,
}

fn two_degrees() -> f64 {
    2.0
}

fn one_minute() -> Span {
    Span::from_mins(1)
}

fn two_minutes() -> Span {
    Span::from_mins(2)
}

fn ten_minutes() -> Span {
    Span::from_mins(10)
}

/// A shorter window would fit noise.
const WINDOW_MIN: Span = Span::from_secs(30);

impl Settings {
    fn limits(&self) -> Result<Limits, SettingsError> {
        let &Settings { safe_below, ambient, rise_max, dwell, window, gap_max } = self;
        if !(-50.0..=1_500.0).contains(&safe_below) {
            let remedy = "give degrees Celsius between -50 and 1500, such as 50";
            return Err(SettingsError::new("safe_below", format!("is {safe_below}"), remedy));
        }
        if let Some(ambient) = ambient
            && (ambient.is_nan() || !(-60.0..safe_below).contains(&ambient))
        {
            let fault = format!("is {ambient}, and safe_below is {safe_below}");
            let remedy = "give less than safe_below, or the machine would never be safe";
            return Err(SettingsError::new("ambient", fault, remedy));
        }
        above_zero("rise_max", rise_max, "give degrees above zero and above the sensor's noise, such as 2")?;
        at_least("dwell", dwell, Span::from_secs(1))?;
        at_least("window", window, WINDOW_MIN)?;
        at_least("gap_max", gap_max, Span::from_secs(1))?;
        let (safe_below_cel, ambient_cel, rise_max_cel) = (safe_below, ambient, rise_max);
        Ok(Limits { safe_below_cel, ambient_cel, rise_max_cel, dwell, window, gap_max })
    }
}

/// The detector.
#[derive(Debug)]
pub struct TemperatureDecay {
    cooling: Cooling,
    latest: Option<Reading>,
}

impl Detector for TemperatureDecay {
    type Settings = Settings;

    const DESCRIPTION: Description = Description {
        name: "temperature-decay",
        version: env!("CARGO_PKG_VERSION"),
        purpose: "busy while hot or heating up; while cooling, gives the least time until it is safe",
        signals: &[Signal::number("temperature", "Cel", "the temperature of the hot part")],
    };

    fn new(settings: Settings) -> Result<Self, SettingsError> {
        Ok(TemperatureDecay { cooling: Cooling::new(settings.limits()?), latest: None })
    }

    fn observe(&mut self, reading: &Reading) {
        if let Some(cel) = reading.as_number() {
            self.cooling.observe(reading.at, cel);
            self.latest = Some(Reading::number(reading.signal, reading.at, cel));
        }
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        let assessment = words(self.cooling.finding(now), self.cooling.limits());
        match &self.latest {
            Some(latest) => assessment.because(latest),
            None => assessment,
        }
    }
}

fn words(finding: Finding, limits: &Limits) -> Assessment {
    let cel = |cel| quantity(cel, "Cel");
    let safe = cel(limits.safe_below_cel);
    match finding {
        Finding::NothingYet => Assessment::unknown("no temperature reading yet"),
        Finding::Implausible { cel: c } => {
            Assessment::unknown(format!("{} is not a possible temperature", cel(c)))
        }
        Finding::Overdue { since_latest } => {
            Assessment::unknown(format!("no temperature reading for {}", since_latest.whole_secs()))
        }
        Finding::Fell { from_cel, to_cel, remaining } => {
            let (from, to) = (cel(from_cel), cel(to_cel));
            Assessment::unknown(format!("fell from {from} to {to} at once, so the sensor may have come off"))
                .clears_in(remaining)
        }
        Finding::Hot { cel: c, safe_in_at_least: Some(span) } => {
            let reason = format!("{}, safe below {safe}, in {} at the earliest", cel(c), rounded(span));
            Assessment::busy(reason).clears_in(span + limits.dwell)
        }
        Finding::Hot { cel: c, safe_in_at_least: None } => {
            Assessment::busy(format!("{}, safe below {safe}", cel(c)))
        }
        Finding::Rising { cel: c, from_cel } => {
            Assessment::busy(format!("{}, rising from {}", cel(c), cel(from_cel)))
        }
        Finding::Dwelling { cel: c, quiet_for, remaining, was_busy } => {
            let (elapsed, dwell) = (quiet_for.whole_secs(), limits.dwell);
            let reason = format!("{} for {elapsed}, idle after {dwell} below {safe}", cel(c));
            let assessment = if was_busy { Assessment::busy(reason) } else { Assessment::unknown(reason) };
            assessment.clears_in(remaining)
        }
        Finding::Idle { cel: c } => Assessment::idle(format!("{}, safe below {safe}", cel(c))),
    }
}

/// In whole minutes from two minutes on: nobody knows it to the second. Rounded down, so that it stays a lower bound.
fn rounded(span: Span) -> Span {
    let step = if span < two_minutes() { 1_000 } else { 60_000 };
    Span::from_millis(span.as_millis() / step * step)
}

idlegate_detector::register!(TemperatureDecay);

#[cfg(test)]
mod tests;
