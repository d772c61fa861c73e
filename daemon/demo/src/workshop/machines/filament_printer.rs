//! A filament printer: quiet electronics, a bed heater that goes on and off, motors, and a fan afterwards.

use crate::workshop::chance::Chance;
use crate::workshop::machine::{Character, Stretch, Truth};
use idlegate_guard::time::Span;

#[derive(Clone, Debug, Default)]
pub struct FilamentPrinter {
    heating: bool,
}

impl FilamentPrinter {
    /// Warming the bed before the first layer; the motors stand still.
    const WARM_UP: Span = Span::secs(180);
    const ELECTRONICS_WATTS: f64 = 30.0;
    const HEATER_WATTS: f64 = 250.0;
    const MOTORS_WATTS: f64 = 100.0;
    /// A working printer never looks idle for longer: what `dwell` has to outlast.
    pub(crate) const QUIET_MAX: Span = Span::secs(45);

    fn work(&mut self, so_far: Span, chance: &mut Chance) -> Stretch {
        self.heating = !self.heating;
        if self.heating {
            let motors = if so_far < Self::WARM_UP { 0.0 } else { Self::MOTORS_WATTS };
            let watts = Self::ELECTRONICS_WATTS + Self::HEATER_WATTS + motors + chance.between(-6.0, 6.0);
            return Stretch::new(watts, chance.span(Span::secs(8), Span::secs(16)));
        }
        // A pause for a change of tool or filament now and then: neither heater nor motors.
        let moving = so_far >= Self::WARM_UP && !chance.happens(0.05);
        let watts = Self::ELECTRONICS_WATTS + chance.between(-1.5, 1.5);
        if moving {
            let motors = Self::MOTORS_WATTS + chance.between(-12.0, 12.0);
            return Stretch::new(watts + motors, chance.span(Span::secs(8), Span::secs(24)));
        }
        Stretch::new(watts, chance.span(Span::secs(10), Self::QUIET_MAX))
    }
}

impl Character for FilamentPrinter {
    fn starts_up_for(&self) -> Span {
        Span::secs(8)
    }

    fn runs_on_for(&self, _job: Span) -> Span {
        Span::secs(150)
    }

    fn stretch(&mut self, truth: Truth, so_far: Span, chance: &mut Chance) -> Stretch {
        match truth {
            Truth::Off => Stretch::new(0.0, Span::secs(1)),
            Truth::Starting if so_far == Span::ZERO => Stretch::new(190.0, Span(900)),
            Truth::Starting => Stretch::new(chance.between(38.0, 55.0), Span::secs(2)),
            Truth::Idle => {
                self.heating = false;
                let watts = Self::ELECTRONICS_WATTS + chance.between(-2.0, 2.5);
                Stretch::new(watts, chance.span(Span::secs(5), Span::secs(40)))
            }
            Truth::Working => self.work(so_far, chance),
            // The fan goes on until the hot end can no longer bake what is left in it.
            Truth::RunningOn => Stretch::new(45.0 + chance.between(-1.5, 1.5), Span::secs(10)),
        }
    }
}
