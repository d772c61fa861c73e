//! level: busy while a quantity has been above, below or outside limits for a time, idle when it has been within them
//! for as long.
//!
//! This file holds the settings; `run` holds the rules, `words` the sentences. README.md explains both to people.

#![forbid(unsafe_code)]

mod run;
mod words;

use idlegate_detector::{Assessment, Description, Detector, Millis, Reading, SettingsError, Signal, Span};
use run::{Limits, Run};
use words::Words;

/// The settings of level.
#[derive(Debug, Clone, serde::Deserialize, schemars::JsonSchema)]
pub struct Settings {
    /// Busy when the value has been more than this for long enough.
    #[serde(default)]
    more_than: Option<f64>,
    /// Busy when the value has been less than this for long enough. With both limits, the value has to stay between them.
    #[serde(default)]
    less_than: Option<f64>,
    /// How long the value must have been beyond a limit without a break to be busy, and within the limits to be idle.
    #[serde(default = "one_minute")]
    lasting: Span,
    /// After a longer gap between readings the time starts again from zero. At most lasting. If left out: 1 min, or lasting
    /// if that is shorter.
    #[serde(default)]
    gap_max: Option<Span>,
    /// The unit of the signal, for what people are told: "ppb", "Cel", "%RH". It converts nothing.
    #[serde(default)]
    unit: String,
}

fn one_minute() -> Span {
    Span::from_mins(1)
}

const GAP_MAX_DEFAULT: Span = Span::from_mins(1);

/// A unit is a short code, and the reasons it stands in are short as well.
const UNIT_CHARS_MAX: usize = 12;

impl Settings {
    fn limits(&self) -> Result<Limits, SettingsError> {
        let &Settings { more_than, less_than, lasting, gap_max, .. } = self;
        if more_than.is_none() && less_than.is_none() {
            return Err(SettingsError::new(
                "more_than",
                "is missing, and so is less_than",
                "give at least one of them, such as more_than = 500",
            ));
        }
        if let (Some(more), Some(less)) = (more_than, less_than)
            && less >= more
        {
            return Err(SettingsError::new(
                "less_than",
                format!("is {less}, and more_than is {more}: every value is beyond one of them"),
                "give a less_than below more_than; the values between them are those that are in order",
            ));
        }
        if lasting == Span::ZERO {
            let remedy = "give a time that no single stray reading fills, such as \"30 s\"";
            return Err(SettingsError::new("lasting", "is 0 s", remedy));
        }
        let gap_max = gap_max.unwrap_or(GAP_MAX_DEFAULT.min(lasting));
        if gap_max == Span::ZERO || gap_max > lasting {
            return Err(SettingsError::new(
                "gap_max",
                format!("is {gap_max}, and lasting is {lasting}"),
                "give more than 0 s and at most lasting, or the whole time could pass unseen",
            ));
        }
        if self.unit.chars().count() > UNIT_CHARS_MAX || self.unit.chars().any(char::is_control) {
            return Err(SettingsError::new(
                "unit",
                "is no unit",
                "give the code of the signal's unit, such as \"ppb\"",
            ));
        }
        Ok(Limits { more_than, less_than, lasting, gap_max })
    }
}

/// The detector.
#[derive(Debug)]
pub struct Level {
    run: Run,
    words: Words,
    latest: Option<Reading>,
}

impl Detector for Level {
    type Settings = Settings;

    const DESCRIPTION: Description = Description {
        name: "level",
        version: env!("CARGO_PKG_VERSION"),
        purpose: "busy while a quantity has been above, below or outside limits for a time",
        signals: &[Signal::number("value", "", "the quantity, in whatever unit the limits are meant in")],
    };

    fn new(settings: Settings) -> Result<Self, SettingsError> {
        let limits = settings.limits()?;
        Ok(Level { words: Words::new(&limits, &settings.unit), run: Run::new(limits), latest: None })
    }

    fn observe(&mut self, reading: &Reading) {
        if let Some(value) = reading.as_number() {
            self.run.observe(reading.at, value);
            self.latest = Some(reading.clone());
        }
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        let assessment = self.words.assessment(self.run.finding(now));
        match &self.latest {
            Some(latest) => assessment.because(latest),
            None => assessment,
        }
    }
}

idlegate_detector::register!(Level);

#[cfg(test)]
mod tests;
