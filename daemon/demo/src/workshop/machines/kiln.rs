//! A kiln: a thermostat with pauses of minutes between its bursts, and hours of Newton's law afterwards.

use crate::workshop::chance::Chance;
use crate::workshop::machine::{Character, Stretch, Truth, secs};
use idlegate_guard::time::Span;

#[derive(Clone, Debug)]
pub struct Kiln {
    celsius: f64,
    burning: bool,
}

impl Kiln {
    pub(crate) const ROOM_CELSIUS: f64 = 20.0;
    pub(crate) const FIRING_CELSIUS: f64 = 900.0;
    /// Either way of the firing temperature before the thermostat switches.
    pub(crate) const SWING_CELSIUS: f64 = 12.0;
    /// Newton's law: in this time the distance to the room falls to 1/e.
    pub(crate) const COOLING_SECS: f64 = 9000.0;
    /// The elements never rest for longer in a firing: what `dwell` has to outlast.
    #[cfg(test)]
    pub(crate) const QUIET_MAX: Span = Span::secs(270);
    const ELEMENTS_WATTS: f64 = 2800.0;
    /// How far above the room the elements alone could keep it.
    const REACH_CELSIUS: f64 = 1400.0;
    const CONTROLLER_WATTS: f64 = 6.0;

    /// A kiln that stands at this temperature.
    pub fn at(celsius: f64) -> Kiln {
        Kiln { celsius, burning: false }
    }

    /// Where the temperature is heading at this power.
    fn heads_for(watts: f64) -> f64 {
        let elements = if watts >= Self::ELEMENTS_WATTS { Self::ELEMENTS_WATTS } else { 0.0 };
        Self::ROOM_CELSIUS + Self::REACH_CELSIUS * elements / Self::ELEMENTS_WATTS
    }

    /// How long until `celsius`, if the temperature is on its way there.
    fn reaches(&self, celsius: f64, watts: f64) -> Option<Span> {
        let goal = Self::heads_for(watts);
        let left = (self.celsius - goal) / (celsius - goal);
        (left > 1.0).then(|| span(Self::COOLING_SECS * left.ln()))
    }

    fn fire(&mut self) -> Stretch {
        if self.celsius <= Self::FIRING_CELSIUS - Self::SWING_CELSIUS {
            self.burning = true;
        } else if self.celsius >= Self::FIRING_CELSIUS + Self::SWING_CELSIUS {
            self.burning = false;
        }
        let (watts, until) = if self.burning {
            (Self::CONTROLLER_WATTS + Self::ELEMENTS_WATTS, Self::FIRING_CELSIUS + Self::SWING_CELSIUS)
        } else {
            (Self::CONTROLLER_WATTS, Self::FIRING_CELSIUS - Self::SWING_CELSIUS)
        };
        Stretch::new(watts, self.reaches(until, watts).unwrap_or(Span::secs(1)))
    }
}

impl Default for Kiln {
    fn default() -> Kiln {
        Kiln::at(Self::ROOM_CELSIUS)
    }
}

impl Character for Kiln {
    fn starts_up_for(&self) -> Span {
        Span::secs(3)
    }

    // It cools without power: nothing has to run on.
    fn runs_on_for(&self, _job: Span) -> Span {
        Span::ZERO
    }

    fn stretch(&mut self, truth: Truth, _so_far: Span, chance: &mut Chance) -> Stretch {
        match truth {
            Truth::Off => Stretch::new(0.0, Span::secs(1)),
            Truth::Working => self.fire(),
            Truth::Starting | Truth::Idle | Truth::RunningOn => {
                self.burning = false;
                Stretch::new(Self::CONTROLLER_WATTS + chance.between(-0.4, 0.4), Span::secs(30))
            }
        }
    }

    fn pass(&mut self, watts: f64, span: Span) {
        let goal = Self::heads_for(watts);
        self.celsius = goal + (self.celsius - goal) * (-secs(span) / Self::COOLING_SECS).exp();
    }

    fn temperature(&self) -> Option<f64> {
        Some(self.celsius)
    }
}

/// Rounded up, so that the goal has been reached when it is over.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hours, never negative")]
fn span(secs: f64) -> Span {
    Span((secs * 1000.0).ceil() as u64)
}
