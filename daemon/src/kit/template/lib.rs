//! {{name}}: busy while the machine draws more than when it is waiting, and for a while after.
//!
//! Change which signals it reads (`DESCRIPTION.signals`), what can be set (`Settings`), and when it says what (`assess`).

#![forbid(unsafe_code)]

use idlegate_detector::{
    Assessment, Description, Detector, Millis, Reading, SettingsError, Signal, Span, quantity,
};

/// What the rules can set. `idlegate detector inspect` shows these comments as descriptions.
#[derive(Debug, Clone, serde::Deserialize, schemars::JsonSchema)]
pub struct Settings {
    /// Busy above this draw, in watts.
    busy_watts: f64,
    /// Idle only after this long without being busy.
    #[serde(default = "three_minutes")]
    dwell: Span,
}

fn three_minutes() -> Span {
    Span::from_mins(3)
}

/// The detector. It remembers only what it must.
#[derive(Debug)]
pub struct {{Type}} {
    settings: Settings,
    latest: Option<Reading>,
    /// Since when the draw has been low.
    quiet_since: Option<Millis>,
    was_busy: bool,
}

impl Detector for {{Type}} {
    type Settings = Settings;

    const DESCRIPTION: Description = Description {
        name: "{{name}}",
        version: env!("CARGO_PKG_VERSION"),
        purpose: "busy while the draw is high, and for a while after",
        signals: &[Signal::number("power", "W", "what the machine draws")],
    };

    fn new(settings: Settings) -> Result<Self, SettingsError> {
        if !settings.busy_watts.is_finite() || settings.busy_watts <= 0.0 {
            let fault = format!("is {}", settings.busy_watts);
            return Err(SettingsError::new("busy_watts", fault, "give watts above zero, such as 40"));
        }
        Ok({{Type}} { settings, latest: None, quiet_since: None, was_busy: false })
    }

    fn observe(&mut self, reading: &Reading) {
        let Some(watts) = reading.as_number() else { return };
        if watts > self.settings.busy_watts {
            self.quiet_since = None;
            self.was_busy = true;
        } else {
            self.quiet_since.get_or_insert(reading.at);
        }
        self.latest = Some(reading.clone());
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        // Whatever is in doubt is unknown, never idle: the guard treats it as busy.
        let Some(latest) = &self.latest else { return Assessment::unknown("no power reading yet") };
        let Some(watts) = latest.as_number() else { return Assessment::unknown("the power reading is not a number") };
        let draw = quantity(watts, "W");
        let limit = quantity(self.settings.busy_watts, "W");
        let Some(since) = self.quiet_since else {
            return Assessment::busy(format!("{draw}, busy above {limit}")).because(latest);
        };
        let quiet_for = now.since(since);
        if quiet_for < self.settings.dwell {
            let left = self.settings.dwell.saturating_sub(quiet_for);
            let reason = format!("{draw} for {}, idle after {}", quiet_for.whole_secs(), self.settings.dwell);
            // Nobody knows what came before the first reading, so that is not called busy.
            let verdict = if self.was_busy { Assessment::busy } else { Assessment::unknown };
            return verdict(reason).because(latest).clears_in(left);
        }
        Assessment::idle(format!("{draw}, busy above {limit}")).because(latest)
    }
}

idlegate_detector::register!({{Type}});

#[cfg(test)]
mod tests {
    use idlegate_detector::Verdict::{Busy, Idle};
    use idlegate_detector::testing::{Recording, run};

    use super::*;

    const SETTINGS: &str = r#"{ "busy_watts": 40, "dwell": "1 min" }"#;

    #[test]
    fn a_job_is_busy_and_so_is_the_minute_after_it() {
        let recording =
            Recording::of_numbers([(0, 90.0), (10_000, 5.0), (30_000, 90.0), (40_000, 5.0), (100_000, 5.0)]);
        let run = run::<{{Type}}>(SETTINGS, &recording).expect("good settings");
        assert_eq!(run.verdicts(), [Busy, Busy, Busy, Busy, Idle]);
    }

    #[test]
    fn the_recording_beside_it_has_one_job() {
        let csv = include_str!("../recordings/first.csv");
        let recording = Recording::from_csv(csv).expect("a good recording");
        let run = run::<{{Type}}>(SETTINGS, &recording).expect("good settings");
        assert_eq!(run.busy_spans().len(), 1);
    }

    #[test]
    fn settings_that_make_no_sense_are_refused_with_a_remedy() {
        let refused = run::<{{Type}}>(r#"{ "busy_watts": -1 }"#, &Recording::of_numbers([(0, 1.0)]));
        assert!(refused.expect_err("refused").to_string().contains("give watts above zero"));
    }
}
