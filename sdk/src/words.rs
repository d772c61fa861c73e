//! Numbers as a person wants to hear them.

use std::fmt;

/// A number with its unit, shown with at most one decimal: "118 W", "9.5 W", "61.2 °C", "40 %".
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity<'u> {
    value: f64,
    unit: &'u str,
}

/// A number with its unit for the reason of an assessment. The unit is a UCUM code; "Cel" is shown as "°C".
///
/// ```
/// use idlegate_detector::quantity;
///
/// assert_eq!(quantity(118.04, "W").to_string(), "118 W");
/// assert_eq!(quantity(-9.53, "Cel").to_string(), "-9.5 °C");
/// assert_eq!(quantity(7.0, "").to_string(), "7");
/// ```
pub fn quantity(value: f64, unit: &str) -> Quantity<'_> {
    Quantity { value, unit }
}

impl fmt::Display for Quantity<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_number(f, self.value)?;
        match self.unit {
            "" | "1" => Ok(()),
            "Cel" => f.write_str(" °C"),
            unit => write!(f, " {unit}"),
        }
    }
}

/// Beyond this many tenths a number is shown in powers of ten. No workshop signal comes near it.
const TENTHS_MAX: f64 = 1e15;

// Whole tenths are printed as integers, several times faster than the general way, which looks for the shortest digits.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and TENTHS_MAX")]
fn write_number(f: &mut fmt::Formatter<'_>, value: f64) -> fmt::Result {
    let tenths = (value.abs() * 10.0).round();
    if tenths.is_nan() || tenths >= TENTHS_MAX {
        return write!(f, "{value:e}");
    }
    let tenths = tenths as u64;
    if value < 0.0 && tenths > 0 {
        f.write_str("-")?;
    }
    match tenths % 10 {
        0 => write!(f, "{}", tenths / 10),
        tenth => write!(f, "{}.{tenth}", tenths / 10),
    }
}

#[cfg(test)]
mod tests {
    use super::quantity;

    #[test]
    fn numbers_are_shown_with_at_most_one_decimal() {
        for (value, shown) in [
            (0.0, "0 W"),
            (-0.0, "0 W"),
            (-0.04, "0 W"),
            (0.05, "0.1 W"),
            (9.96, "10 W"),
            (118.0, "118 W"),
            (-3.25, "-3.3 W"),
            (1e300, "1e300 W"),
            (f64::NAN, "NaN W"),
            (f64::INFINITY, "inf W"),
        ] {
            assert_eq!(quantity(value, "W").to_string(), shown);
        }
    }
}
