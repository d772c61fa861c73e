//! A dust extractor: inrush, a fan that works harder as the filter fills, and a shaker that cleans it after.

use crate::workshop::chance::Chance;
use crate::workshop::machine::{Character, Stretch, Truth, secs};
use idlegate_guard::time::Span;

#[derive(Clone, Debug, Default)]
pub struct DustExtractor;

impl DustExtractor {
    const STANDBY_WATTS: f64 = 3.0;
    const FAN_WATTS: f64 = 1050.0;
    /// What the filter costs at most when it is full.
    const FULL_FILTER_WATTS: f64 = 180.0;
    /// After this the filter is two thirds full.
    const FILTER_FILLS_SECS: f64 = 1800.0;
}

impl Character for DustExtractor {
    fn starts_up_for(&self) -> Span {
        Span::secs(1)
    }

    fn runs_on_for(&self, _job: Span) -> Span {
        Span::secs(15)
    }

    fn stretch(&mut self, truth: Truth, so_far: Span, chance: &mut Chance) -> Stretch {
        match truth {
            Truth::Off => Stretch::new(0.0, Span::secs(1)),
            Truth::Starting => Stretch::new(12.0, Span::secs(1)),
            Truth::Idle => {
                let watts = Self::STANDBY_WATTS + chance.between(-0.3, 0.3);
                Stretch::new(watts, Span::secs(60))
            }
            Truth::Working if so_far == Span::ZERO => Stretch::new(2800.0, Span(500)),
            Truth::Working => {
                let filled = 1.0 - (-secs(so_far) / Self::FILTER_FILLS_SECS).exp();
                let watts = Self::FAN_WATTS + Self::FULL_FILTER_WATTS * filled + chance.between(-25.0, 25.0);
                Stretch::new(watts, chance.span(Span::secs(2), Span::secs(8)))
            }
            Truth::RunningOn => Stretch::new(90.0 + chance.between(-8.0, 8.0), Span::secs(1)),
        }
    }
}
