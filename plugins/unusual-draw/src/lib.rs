//! unusual-draw: busy, which for a detector that warns means "tell people", while a machine draws as it never did before.
//!
//! This file holds the settings; `track` says what is seen, `watch` holds the rules, `words` the sentences. README.md
//! explains all of it to people. Track and rules are public so that `idlegate calibrate --unusual` can run them, too.

#![forbid(unsafe_code)]

pub mod track;
pub mod watch;
mod words;

use idlegate_detector::settings::{above_zero, at_least};
use idlegate_detector::{Assessment, Description, Detector, Millis, Reading, SettingsError, Signal, Span};
use track::Levels;
use watch::{Limits, Watch};
use words::Words;

/// The settings of unusual-draw. What has not been learned is left out, and is not watched.
#[derive(Debug, Clone, Default, serde::Deserialize, schemars::JsonSchema)]
#[serde(default)]
pub struct Settings {
    /// Warns when it draws more than this, in watts, in three readings in a row.
    higher_than_watts: Option<f64>,
    /// The most it has drawn so far, for what people are told.
    highest_watts: Option<f64>,
    /// On above this draw, in watts: halfway to what a heater or motor draws.
    on_watts: Option<f64>,
    /// Warns when it has been on for so long without a pause. Needs on_watts.
    on_longer_than: Option<Span>,
    /// The longest it has been on so far, for what people are told.
    on_longest: Option<Span>,
    /// At work above this draw, in watts.
    work_watts: Option<f64>,
    /// Quiet for longer than this, its work has ended. If left out: 15 min.
    pause_max: Option<Span>,
    /// Warns when it stops after less work than this. Needs work_watts.
    work_shorter_than: Option<Span>,
    /// The shortest work so far, for what people are told.
    work_shortest: Option<Span>,
    /// Draws nothing below this, in watts: less than it draws whenever its outlet is on.
    nothing_watts: Option<f64>,
    /// Warns when it has drawn nothing for so long straight after work. Needs nothing_watts and work_watts.
    dead_after: Option<Span>,
    /// Warns when it has drawn nothing for so long after it was switched on. Needs nothing_watts and the signal state.
    draws_within: Option<Span>,
    /// What it has done while it was on, for what people are told: "heated".
    does: Option<String>,
    /// After a longer gap between readings it begins anew. If left out: 1 min.
    gap_max: Option<Span>,
}

/// What it does is a word or two, and the reasons it stands in are short as well.
const DOES_CHARS_MAX: usize = 40;
const PAUSE_MAX_DEFAULT: Span = Span::from_mins(15);
const GAP_MAX_DEFAULT: Span = Span::from_mins(1);
const WATTS_REMEDY: &str = "give watts above zero, such as 40";

impl Settings {
    fn limits(&self) -> Result<Limits, SettingsError> {
        self.own_values()?;
        self.fit_together()?;
        let levels = Levels {
            work_watts: self.work_watts,
            on_watts: self.on_watts,
            nothing_watts: self.nothing_watts,
            pause_max: self.pause_max.unwrap_or(PAUSE_MAX_DEFAULT),
            gap_max: self.gap_max.unwrap_or(GAP_MAX_DEFAULT),
        };
        Ok(Limits {
            levels,
            higher_than_watts: self.higher_than_watts,
            on_longer_than: self.on_longer_than,
            work_shorter_than: self.work_shorter_than,
            dead_after: self.dead_after,
            draws_within: self.draws_within,
        })
    }

    fn own_values(&self) -> Result<(), SettingsError> {
        for (name, watts) in [
            ("higher_than_watts", self.higher_than_watts),
            ("highest_watts", self.highest_watts),
            ("on_watts", self.on_watts),
            ("work_watts", self.work_watts),
            ("nothing_watts", self.nothing_watts),
        ] {
            watts.map_or(Ok(0.0), |watts| above_zero(name, watts, WATTS_REMEDY))?;
        }
        for (name, span) in [
            ("on_longer_than", self.on_longer_than),
            ("work_shorter_than", self.work_shorter_than),
            ("pause_max", self.pause_max),
            ("dead_after", self.dead_after),
            ("draws_within", self.draws_within),
            ("gap_max", self.gap_max),
        ] {
            span.map_or(Ok(Span::ZERO), |span| at_least(name, span, Span::from_secs(1)))?;
        }
        let odd = |does: &String| {
            does.trim().is_empty()
                || does.chars().count() > DOES_CHARS_MAX
                || does.chars().any(char::is_control)
        };
        if self.does.as_ref().is_some_and(odd) {
            let remedy = "give what it has done while it was on, such as \"heated\"";
            return Err(SettingsError::new("does", "is not a word or two", remedy));
        }
        Ok(())
    }

    fn fit_together(&self) -> Result<(), SettingsError> {
        let limits = [self.on_longer_than, self.work_shorter_than, self.dead_after, self.draws_within];
        if self.higher_than_watts.is_none() && limits.iter().all(Option::is_none) {
            return Err(SettingsError::new(
                "",
                "watch nothing",
                "give at least one of higher_than_watts, on_longer_than, work_shorter_than, dead_after and draws_within; \
                 idlegate calibrate --unusual works them out",
            ));
        }
        for (limit, is_given, level, is_there) in [
            ("on_longer_than", self.on_longer_than.is_some(), "on_watts", self.on_watts.is_some()),
            ("work_shorter_than", self.work_shorter_than.is_some(), "work_watts", self.work_watts.is_some()),
            ("dead_after", self.dead_after.is_some(), "work_watts", self.work_watts.is_some()),
            ("dead_after", self.dead_after.is_some(), "nothing_watts", self.nothing_watts.is_some()),
            ("draws_within", self.draws_within.is_some(), "nothing_watts", self.nothing_watts.is_some()),
        ] {
            if is_given && !is_there {
                return Err(SettingsError::new(
                    level,
                    format!("is missing, and {limit} needs it"),
                    WATTS_REMEDY,
                ));
            }
        }
        let beyond = |most: &'static str, limit: &'static str| {
            Err(SettingsError::new(
                limit,
                format!("would warn of what is usual by {most}"),
                "give a limit beyond it",
            ))
        };
        if self.highest_watts.zip(self.higher_than_watts).is_some_and(|(most, limit)| limit < most) {
            return beyond("highest_watts", "higher_than_watts");
        }
        if self.on_longest.zip(self.on_longer_than).is_some_and(|(most, limit)| limit < most) {
            return beyond("on_longest", "on_longer_than");
        }
        if self.work_shortest.zip(self.work_shorter_than).is_some_and(|(least, limit)| limit > least) {
            return beyond("work_shortest", "work_shorter_than");
        }
        if self.nothing_watts.zip(self.work_watts).is_some_and(|(nothing, work)| nothing > work) {
            let remedy = "give less than work_watts";
            return Err(SettingsError::new("nothing_watts", "is more than work_watts", remedy));
        }
        Ok(())
    }

    fn words(&self) -> Words {
        let does = match (&self.does, self.on_watts) {
            (Some(does), _) => does.trim().to_owned(),
            (None, Some(watts)) => format!("drawn more than {}", words::shown(watts)),
            (None, None) => String::new(),
        };
        Words {
            highest_watts: self.highest_watts,
            on_longest: self.on_longest,
            work_shortest: self.work_shortest,
            does,
        }
    }
}

/// The detector.
#[derive(Debug)]
pub struct UnusualDraw {
    watch: Watch,
    words: Words,
    latest: Option<Reading>,
}

const POWER: u32 = UnusualDraw::DESCRIPTION.signal("power");
const STATE: u32 = UnusualDraw::DESCRIPTION.signal("state");
/// The word for a machine whose outlet is off.
const OFF: &str = "off";

impl Detector for UnusualDraw {
    type Settings = Settings;

    const DESCRIPTION: Description = Description {
        name: "unusual-draw",
        version: env!("CARGO_PKG_VERSION"),
        purpose: "busy while the machine draws as it never did before, so that people are warned",
        signals: &[
            Signal::number("power", "W", "the draw of the machine, as its outlet's meter reads it"),
            Signal::text("state", "the machine's own state (machine = \"this\"), of which \"off\" counts")
                .optional(),
        ],
    };

    fn new(settings: Settings) -> Result<Self, SettingsError> {
        let limits = settings.limits()?;
        Ok(UnusualDraw { watch: Watch::new(limits), words: settings.words(), latest: None })
    }

    fn observe(&mut self, reading: &Reading) {
        match reading.signal {
            POWER => {
                if let Some(watts) = reading.as_number() {
                    self.watch.power(reading.at, watts);
                    self.latest = Some(reading.clone());
                }
            }
            STATE => {
                if let Some(word) = reading.as_text() {
                    self.watch.outlet(reading.at, word == OFF);
                }
            }
            _ => {}
        }
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        let watts = self.latest.as_ref().and_then(Reading::as_number);
        let assessment = self.words.assessment(self.watch.finding(now), watts);
        match &self.latest {
            Some(latest) => assessment.because(latest),
            None => assessment,
        }
    }
}

idlegate_detector::register!(UnusualDraw);

#[cfg(test)]
mod tests;
