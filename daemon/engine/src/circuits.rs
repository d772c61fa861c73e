//! Room on a branch circuit: whether one more machine may be switched on without tripping the breaker, and so
//! ending every job behind it. Counted by the machines' known peaks, since all of them may come at once.

use std::fmt;

use idlegate_plan::{Circuit, MachineIx, OnCircuit};

/// The sum, as it is told to people.
#[derive(Clone, Debug, PartialEq)]
pub struct Load {
    circuit: Circuit,
    /// Peaks of the machines that are on, or not known to be off.
    others_watts: f64,
    own_watts: f64,
}

impl Load {
    /// What the circuit of this machine would bear with it; nothing if it is on none. `places` are those of all
    /// machines, and `may_draw` says of one whether it is on, on its way there, or not known to be off.
    pub fn with(
        circuits: &[Circuit],
        places: impl IntoIterator<Item = Option<OnCircuit>>,
        index: MachineIx,
        may_draw: impl Fn(MachineIx) -> bool,
    ) -> Option<Load> {
        let (mut own, mut others) = (None, Vec::new());
        for (at, place) in places.into_iter().enumerate() {
            let at = MachineIx(at);
            match place {
                Some(place) if at == index => own = Some(place),
                Some(place) if may_draw(at) => others.push(place),
                Some(_) | None => {}
            }
        }
        let own = own?;
        let on_same = others.iter().filter(|other| other.circuit == own.circuit);
        Some(Load {
            circuit: circuits[own.circuit].clone(),
            others_watts: on_same.map(|other| other.peak_watts).sum(),
            own_watts: own.peak_watts,
        })
    }

    pub fn has_room(&self) -> bool {
        self.others_watts + self.own_watts <= self.circuit.limit_watts()
    }
}

impl fmt::Display for Load {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Circuit { name, amperes, volts, continuous_share } = &self.circuit;
        let (others, own, sum) = (self.others_watts, self.own_watts, self.others_watts + self.own_watts);
        let limit = self.circuit.limit_watts();
        write!(
            f,
            "circuit {name} would have to carry {sum:.0} W ({others:.0} W + {own:.0} W), and its limit is {limit:.0} W \
             ({amperes} A × {volts} V"
        )?;
        if *continuous_share < 1.0 {
            write!(f, " × {continuous_share}")?;
        }
        f.write_str(")")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_plan::event::Name;

    fn load(others_watts: f64, own_watts: f64) -> Load {
        // Continuous loads at 80 % of the breaker: NEC 210.20(A), 125 % of the continuous load (clause from memory).
        let circuit =
            Circuit { name: Name::new("bench").unwrap(), amperes: 16.0, volts: 230.0, continuous_share: 0.8 };
        Load { circuit, others_watts, own_watts }
    }

    #[test]
    fn a_machine_has_room_up_to_the_limit_and_not_beyond() {
        assert!(load(1_744.0, 1_200.0).has_room());
        assert!(!load(1_745.0, 1_200.0).has_room());
    }

    #[test]
    fn the_sum_is_shown_as_a_person_would_check_it() {
        assert_eq!(
            load(2_900.0, 1_200.0).to_string(),
            "circuit bench would have to carry 4100 W (2900 W + 1200 W), and its limit is 2944 W (16 A × 230 V × 0.8)"
        );
    }
}
