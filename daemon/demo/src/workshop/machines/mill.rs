//! A mill: the inrush of a starting spindle, a load that follows the cut, and pauses for a change of tool.

use crate::workshop::chance::Chance;
use crate::workshop::machine::{Character, Stretch, Truth};
use idlegate_guard::time::Span;

#[derive(Clone, Debug, Default)]
pub struct Mill {
    spindle: Spindle,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Spindle {
    #[default]
    Stopped,
    Starting,
    Turning,
}

impl Mill {
    const CONTROLLER_WATTS: f64 = 48.0;
    const INRUSH_WATTS: f64 = 2400.0;
    /// The spindle never stands still for longer in a job: what `dwell` has to outlast.
    pub(crate) const QUIET_MAX: Span = Span::secs(40);

    fn work(&mut self, chance: &mut Chance) -> Stretch {
        self.spindle = match self.spindle {
            Spindle::Stopped => Spindle::Starting,
            Spindle::Starting => Spindle::Turning,
            Spindle::Turning if chance.happens(0.04) => Spindle::Stopped,
            Spindle::Turning => Spindle::Turning,
        };
        match self.spindle {
            Spindle::Stopped => {
                let watts = Self::CONTROLLER_WATTS + chance.between(-2.0, 2.0);
                Stretch::new(watts, chance.span(Span::secs(15), Self::QUIET_MAX))
            }
            Spindle::Starting => Stretch::new(Self::INRUSH_WATTS, Span(400)),
            Spindle::Turning => {
                // Light passes mostly, a full cut now and then.
                let load = if chance.happens(0.3) {
                    chance.between(700.0, 1300.0)
                } else {
                    chance.between(260.0, 600.0)
                };
                Stretch::new(Self::CONTROLLER_WATTS + load, chance.span(Span::secs(2), Span::secs(10)))
            }
        }
    }
}

impl Character for Mill {
    fn starts_up_for(&self) -> Span {
        Span::secs(6)
    }

    fn runs_on_for(&self, _job: Span) -> Span {
        Span::secs(20)
    }

    fn stretch(&mut self, truth: Truth, so_far: Span, chance: &mut Chance) -> Stretch {
        match truth {
            Truth::Off => Stretch::new(0.0, Span::secs(1)),
            Truth::Starting if so_far == Span::ZERO => Stretch::new(260.0, Span(500)),
            Truth::Starting => Stretch::new(70.0, Span::secs(3)),
            Truth::Idle => {
                self.spindle = Spindle::Stopped;
                let watts = Self::CONTROLLER_WATTS + chance.between(-2.0, 2.0);
                Stretch::new(watts, chance.span(Span::secs(5), Span::secs(30)))
            }
            Truth::Working => self.work(chance),
            // The coolant pump empties the line.
            Truth::RunningOn => {
                Stretch::new(Self::CONTROLLER_WATTS + 70.0 + chance.between(-3.0, 3.0), Span::secs(5))
            }
        }
    }
}
