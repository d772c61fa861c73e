//! {{name}}: busy while the machine draws more than when it is waiting, and for a while after.
//!
//! Change which signals it reads (`DESCRIPTION.signals`), what can be set (`Settings`), and when it says what
//! (`assess`).

#![forbid(unsafe_code)]

use idlegate_detector::settings::above_zero;
use idlegate_detector::{
    Assessment, Description, Detector, Dwell, Latest, Millis, Reading, Rest, SettingsError, Signal, Span, quantity,
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

/// Nobody saw what the machine did between readings that are further apart than this.
const GAP_MAX: Span = Span::from_mins(1);

const POWER: u32 = {{Type}}::DESCRIPTION.signal("power");

/// The detector. It remembers only what it must.
#[derive(Debug)]
pub struct {{Type}} {
    busy_watts: f64,
    latest: Latest,
    dwell: Dwell,
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
        let busy_watts = above_zero("busy_watts", settings.busy_watts, "give watts above zero, such as 40")?;
        let dwell = Dwell::of(settings.dwell);
        Ok({{Type}} { busy_watts, latest: Latest::of(&Self::DESCRIPTION), dwell })
    }

    fn observe(&mut self, reading: &Reading) {
        let Some(number) = reading.as_number() else { return };
        // A gap is no quiet: after it the dwell begins anew, and what was idle is unknown.
        if self.latest.reading(reading.signal).is_some_and(|before| reading.at.since(before.at) > GAP_MAX) {
            self.dwell = Dwell::of(self.dwell.span());
        }
        match reading.signal {
            POWER if number > self.busy_watts => self.dwell.busy(),
            POWER => self.dwell.quiet(reading.at),
            _ => return,
        }
        self.latest.take(reading);
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        // Whatever is in doubt is unknown, never idle: the guard treats it as busy.
        if let Some(unknown) = self.latest.unseen() {
            return unknown;
        }
        let draw = quantity(self.latest.number(POWER).unwrap_or(f64::NAN), "W");
        let limit = quantity(self.busy_watts, "W");
        let assessment = match self.dwell.at(now) {
            Rest::Unseen => Assessment::unknown("no power reading yet"),
            Rest::Busy => Assessment::busy(format!("{draw}, busy above {limit}")),
            Rest::Dwelling { quiet_for, left, was_busy } => {
                let reason = format!("{draw} for {}, idle after {}", quiet_for.whole_secs(), self.dwell.span());
                // Nobody knows what came before the first reading, so that is not called busy.
                let verdict = if was_busy { Assessment::busy } else { Assessment::unknown };
                verdict(reason).clears_in(left)
            }
            Rest::Over => Assessment::idle(format!("{draw}, busy above {limit}")),
        };
        self.latest.reading(POWER).into_iter().fold(assessment, Assessment::because)
    }
}

idlegate_detector::register!({{Type}});

#[cfg(test)]
mod tests {
    use idlegate_detector::Verdict::{Busy, Idle, Unknown};
    use idlegate_detector::testing::{Recording, run, run_guarded};

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
    fn a_meter_that_fell_silent_is_no_idle_machine_and_a_gap_is_no_quiet() {
        let readings = [0, 30_000, 60_000, 300_000, 330_000, 360_000].map(|at| (at, 5.0));
        let recording = Recording::of_numbers(readings);
        let run = run_guarded::<{{Type}}>(SETTINGS, &recording, Span::from_secs(40)).expect("good settings");
        let changes: Vec<_> = run.changes().iter().map(|step| step.assessment.verdict).collect();
        assert_eq!(changes, [Unknown, Idle, Unknown, Idle]);
        assert_eq!(run.changes().last().map(|step| step.at), Some(Millis(360_000)), "a whole dwell after the gap");
    }

    #[test]
    fn the_recording_beside_it_has_one_job() {
        let csv = include_str!("../recordings/first.csv");
        let recording = Recording::from_csv::<{{Type}}>(csv).expect("a good recording");
        let run = run::<{{Type}}>(SETTINGS, &recording).expect("good settings");
        assert_eq!(run.busy_spans().len(), 1);
    }

    #[test]
    fn settings_that_make_no_sense_are_refused_with_a_remedy() {
        let refused = run::<{{Type}}>(r#"{ "busy_watts": -1 }"#, &Recording::of_numbers([(0, 1.0)]));
        assert!(refused.expect_err("refused").to_string().contains("give watts above zero"));
    }
}
