//! Units that stand in a fixed relation to each other: RFC 8428 (section 12.1), the secondary units of RFC 8798, and
//! the prefixes of the SI. Everything is compared letter by letter: mW is not MW.

/// Each with its size, within one quantity. Sizes are whole numbers, so that no factor between two of them is inexact.
const QUANTITIES: [&[(&str, f64)]; 8] = [
    &[("mW", 1.0), ("W", 1e3), ("kW", 1e6), ("MW", 1e9)],
    &[("mA", 1.0), ("A", 1e3)],
    &[("mV", 1.0), ("V", 1e3), ("kV", 1e6)],
    &[("J", 1.0), ("Wh", 3_600.0), ("kWh", 3_600_000.0)],
    &[("VA", 1.0), ("kVA", 1e3)],
    &[("var", 1.0), ("kvar", 1e3)],
    // The SI's own sign, which senders of text prefer to the code.
    &[("Cel", 1.0), ("\u{b0}C", 1.0)],
    &[("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6)],
];
/// Known, but in no relation to others.
const ALONE: [&str; 8] = ["%", "%RH", "K", "Ah", "Pa", "hPa", "lx", "Ohm"];

/// The value in another unit; nothing where the two have no fixed relation.
pub fn in_unit(value: f64, said: &str, wanted: &str) -> Option<f64> {
    ratio(said, wanted).map(|ratio| ratio.of(value))
}

/// How a value has to be changed from one unit to another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Ratio {
    Times(f64),
    Over(f64),
}

impl Ratio {
    /// Rounded once, so 118.2 W are 0.1182 kW and not a hair more.
    pub(super) fn of(self, value: f64) -> f64 {
        match self {
            Ratio::Times(factor) => value * factor,
            Ratio::Over(factor) => value / factor,
        }
    }

    pub(super) fn factor(self) -> f64 {
        self.of(1.0)
    }
}

pub(super) fn ratio(said: &str, wanted: &str) -> Option<Ratio> {
    if said == wanted {
        return Some(Ratio::Times(1.0));
    }
    let of_both = |quantity: &&[(&str, f64)]| {
        let size = |unit: &str| quantity.iter().find(|(known, _)| *known == unit).map(|(_, size)| *size);
        Some((size(said)?, size(wanted)?))
    };
    let (from, to) = QUANTITIES.iter().find_map(of_both)?;
    Some(if from >= to { Ratio::Times(from / to) } else { Ratio::Over(to / from) })
}

/// The code that rules have for a unit as texts write it; nothing for what is no unit here.
pub(super) fn code(said: &str) -> Option<&'static str> {
    let known = QUANTITIES.iter().flat_map(|quantity| quantity.iter().map(|(unit, _)| *unit)).chain(ALONE);
    known.into_iter().find(|unit| *unit == said).map(|unit| if unit == "\u{b0}C" { "Cel" } else { unit })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The factors are those of RFC 8798, section 3, and of the SI brochure.
    #[test]
    fn values_are_brought_into_the_unit_of_the_rules() {
        for (value, said, wanted, expected) in [
            (0.048, "kW", "W", 48.0),
            (118.2, "W", "kW", 0.1182),
            (48_000.0, "mW", "W", 48.0),
            (1.2, "A", "mA", 1_200.0),
            (230.0, "V", "V", 230.0),
            (2.0, "kWh", "J", 7_200_000.0),
            (1_800.0, "J", "Wh", 0.5),
            (1_234.0, "Wh", "kWh", 1.234),
            (23.1, "\u{b0}C", "Cel", 23.1),
            (5.0, "1/min", "1/min", 5.0),
        ] {
            assert_eq!(in_unit(value, said, wanted), Some(expected), "{value} {said} as {wanted}");
        }
    }

    #[test]
    fn what_has_no_fixed_relation_is_not_brought_into_another_unit() {
        for (said, wanted) in [
            ("A", "W"),
            ("KW", "W"),
            ("w", "W"),
            ("Wh", "W"),
            ("VA", "W"),
            ("K", "Cel"),
            ("", "W"),
            ("W", ""),
        ] {
            assert_eq!(in_unit(1.0, said, wanted), None, "{said} as {wanted}");
        }
    }
}
