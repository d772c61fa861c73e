//! The sentences of level.

use idlegate_detector::{Assessment, Verdict};

use crate::run::{Finding, Limits, Side, UntilThen};

#[derive(Debug)]
pub(crate) struct Words {
    unit: String,
    above: String,
    below: String,
    within: String,
    busy_after: String,
    idle_after: String,
}

impl Words {
    pub(crate) fn new(limits: &Limits, unit: &str) -> Self {
        let shown = |value: Option<f64>| figure(value.unwrap_or_default(), unit);
        let within = match (limits.less_than, limits.more_than) {
            (Some(less), Some(more)) => {
                format!("between {} and {}", figure(less, ""), figure(more, unit))
            }
            (Some(less), None) => format!("not below {}", figure(less, unit)),
            (None, more) => format!("not above {}", shown(more)),
        };
        Words {
            unit: unit.to_owned(),
            above: format!("above {}", shown(limits.more_than)),
            below: format!("below {}", shown(limits.less_than)),
            within,
            busy_after: format!("busy after {}", limits.lasting),
            idle_after: format!("idle after {}", limits.lasting),
        }
    }

    pub(crate) fn assessment(&self, finding: Finding) -> Assessment {
        match finding {
            Finding::NothingYet => Assessment::unknown("no reading yet"),
            Finding::Overdue { since_latest } => {
                Assessment::unknown(format!("no reading for {}", since_latest.whole_secs()))
            }
            Finding::Settled { value, side, lasted } => {
                let verdict = if side == Side::Within { Verdict::Idle } else { Verdict::Busy };
                let (value, lasted) = (figure(value, &self.unit), lasted.whole_secs());
                Assessment::new(verdict, format!("{value}, {} for {lasted}", self.side(side)))
            }
            Finding::Lasting { value, side, lasted, remaining, until_then } => {
                let (verdict, after) = match (until_then, side) {
                    (UntilThen::Busy, Side::Above | Side::Below) => (Verdict::Busy, None),
                    (UntilThen::Idle, _) => (Verdict::Idle, None),
                    (UntilThen::Busy, Side::Within) => (Verdict::Busy, Some(&self.idle_after)),
                    (UntilThen::Unknown, Side::Within) => (Verdict::Unknown, Some(&self.idle_after)),
                    (UntilThen::Unknown, Side::Above | Side::Below) => {
                        (Verdict::Unknown, Some(&self.busy_after))
                    }
                };
                let (value, lasted) = (figure(value, &self.unit), lasted.whole_secs());
                let mut reason = format!("{value}, {} for {lasted}", self.side(side));
                if let Some(after) = after {
                    reason.push_str(", ");
                    reason.push_str(after);
                }
                let assessment = Assessment::new(verdict, reason);
                if verdict != Verdict::Idle && side == Side::Within {
                    assessment.clears_in(remaining)
                } else {
                    assessment
                }
            }
        }
    }

    fn side(&self, side: Side) -> &str {
        match side {
            Side::Above => &self.above,
            Side::Below => &self.below,
            Side::Within => &self.within,
        }
    }
}

/// The digits of a value that people read, in whatever unit: three of them, and no fewer than stand before the point.
const DIGITS: i32 = 3;

fn figure(value: f64, unit: &str) -> String {
    let unit = match unit {
        "" | "1" | "/" => String::new(),
        "Cel" => " °C".to_owned(),
        unit => format!(" {unit}"),
    };
    format!("{}{unit}", digits(value))
}

/// Below this a number is shown in powers of ten, and so it is from its inverse on.
const PLAIN_MIN: f64 = 1e-6;

fn digits(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    if !(PLAIN_MIN..1.0 / PLAIN_MIN).contains(&value.abs()) {
        return format!("{value:.2e}");
    }
    let decimals = (0..=9).find(|decimals| value.abs() * 10_f64.powi(*decimals) >= 10_f64.powi(DIGITS - 1));
    let shown = format!("{value:.*}", usize::try_from(decimals.unwrap_or(9)).unwrap_or(0));
    if shown.contains('.') { shown.trim_end_matches('0').trim_end_matches('.').to_owned() } else { shown }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_digits_are_shown_and_never_fewer_than_stand_before_the_point() {
        let shown: Vec<_> = [0.0, 0.05, -0.0512, 0.5, 1.25, 9.996, 22.46, 480.2, 480.6, 12_345.6, 2e7, 1e-9]
            .into_iter()
            .map(digits)
            .collect();
        assert_eq!(
            shown,
            ["0", "0.05", "-0.0512", "0.5", "1.25", "10", "22.5", "480", "481", "12346", "2.00e7", "1.00e-9"]
        );
        assert_eq!((figure(22.0, "Cel"), figure(0.5, "1")), ("22 °C".to_owned(), "0.5".to_owned()));
    }
}
