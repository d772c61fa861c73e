//! The sentences of unusual-draw. They follow the machine's name: "Kiln: it has heated without a pause for 25 min".

use idlegate_detector::{Assessment, Span, quantity};

use crate::watch::{Finding, Unusual};

/// What it did before, as far as somebody has said so.
#[derive(Debug, Clone, Default)]
pub(crate) struct Words {
    pub(crate) highest_watts: Option<f64>,
    pub(crate) on_longest: Option<Span>,
    pub(crate) work_shortest: Option<Span>,
    /// What it does while it is on: "heated", "drawn more than 450 W".
    pub(crate) does: String,
}

impl Words {
    pub(crate) fn assessment(&self, finding: Finding, watts: Option<f64>) -> Assessment {
        match finding {
            Finding::NothingYet => Assessment::unknown("no reading yet"),
            Finding::Overdue { since_latest } => {
                Assessment::unknown(format!("no reading for {}", since_latest.whole_secs()))
            }
            Finding::Off => Assessment::idle("it is switched off"),
            Finding::Usual => match watts {
                Some(watts) => Assessment::idle(format!("{}, nothing unusual", shown(watts))),
                None => Assessment::idle("nothing unusual"),
            },
            Finding::Unusual(unusual) => Assessment::busy(self.unusual(unusual)),
        }
    }

    fn unusual(&self, unusual: Unusual) -> String {
        match unusual {
            Unusual::Higher { watts } => {
                let before =
                    self.highest_watts.map(|most| format!("; never more than {} before", shown(most)));
                format!("it draws {}{}", shown(watts), before.unwrap_or_default())
            }
            Unusual::Silent { since_on } => format!(
                "it was switched on {} ago and draws nothing: plug, fuse or its own switch",
                spoken(since_on)
            ),
            Unusual::Dead { dead_for } => {
                format!(
                    "it went dead in the middle of its work and has drawn nothing for {}",
                    spoken(dead_for)
                )
            }
            Unusual::StuckOn { on_for } => {
                let before = self.on_longest.map(|most| format!("; never more than {} before", spoken(most)));
                let does = &self.does;
                format!("it has {does} without a pause for {}{}", spoken(on_for), before.unwrap_or_default())
            }
            Unusual::StoppedEarly { worked_for } => {
                let before =
                    self.work_shortest.map(|least| format!("; never less than {} before", spoken(least)));
                format!("it stopped after {} of work{}", spoken(worked_for), before.unwrap_or_default())
            }
        }
    }
}

/// Nobody wants tenths of a kilowatt's watts.
pub(crate) fn shown(watts: f64) -> String {
    let rounded = if watts.abs() >= 20.0 { watts.round() } else { watts };
    quantity(rounded, "W").to_string()
}

/// From ten minutes on, whole minutes.
fn spoken(span: Span) -> Span {
    const LONG: Span = Span::from_mins(10);
    if span < LONG { span.whole_secs() } else { Span::from_mins(span.as_millis() / 60_000) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_times_have_no_seconds_and_large_draws_no_tenths() {
        assert_eq!(spoken(Span::from_millis(9_500)).to_string(), "9 s");
        assert_eq!(spoken(Span::from_secs(599)).to_string(), "9 min 59 s");
        assert_eq!(spoken(Span::from_secs(5_459)).to_string(), "1 h 30 min");
        assert_eq!([3.26, 19.9, 1240.4].map(shown), ["3.3 W", "19.9 W", "1240 W"]);
    }
}
