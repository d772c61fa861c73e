//! A laser cutter: tube current in bursts, extraction all the while, and extraction running on after the cut.

use crate::workshop::chance::Chance;
use crate::workshop::machine::{Character, Stretch, Truth};
use idlegate_guard::time::Span;

#[derive(Clone, Debug, Default)]
pub struct LaserCutter {
    firing: bool,
}

impl LaserCutter {
    const CONTROLLER_WATTS: f64 = 24.0;
    const EXTRACTION_WATTS: f64 = 110.0;
    /// Smoke is still in the bed when the last line is cut.
    pub(crate) const EXTRACTION_RUNS_ON: Span = Span::secs(120);
}

impl Character for LaserCutter {
    fn starts_up_for(&self) -> Span {
        Span::secs(5)
    }

    fn runs_on_for(&self, _job: Span) -> Span {
        Self::EXTRACTION_RUNS_ON
    }

    fn stretch(&mut self, truth: Truth, so_far: Span, chance: &mut Chance) -> Stretch {
        let extraction = Self::EXTRACTION_WATTS + chance.between(-4.0, 4.0);
        match truth {
            Truth::Off => Stretch::new(0.0, Span::secs(1)),
            Truth::Starting if so_far == Span::ZERO => Stretch::new(140.0, Span(700)),
            Truth::Starting => Stretch::new(60.0, Span::secs(2)),
            Truth::Idle => {
                self.firing = false;
                let watts = Self::CONTROLLER_WATTS + chance.between(-1.5, 1.5);
                Stretch::new(watts, chance.span(Span::secs(5), Span::secs(30)))
            }
            Truth::Working => {
                self.firing = !self.firing;
                let watts = Self::CONTROLLER_WATTS + extraction;
                if self.firing {
                    let tube = chance.between(320.0, 460.0);
                    Stretch::new(watts + tube, chance.span(Span::secs(2), Span::secs(12)))
                } else {
                    // The head travels to the next line with the tube dark.
                    Stretch::new(watts, chance.span(Span(600), Span::secs(4)))
                }
            }
            Truth::RunningOn => Stretch::new(Self::CONTROLLER_WATTS + extraction, Span::secs(10)),
        }
    }
}
