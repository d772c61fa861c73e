//! How far beyond everything seen a limit must lie.
//!
//! Of n values in no order the next exceeds them all with the chance 1 / (n + 1), whatever they are; and by how much
//! depends on how far they spread (see [`beyond`]). Set to the chance of a false warning that people put up with, this
//! gives the margin. Draws and times are compared by their ratios, so by their logarithms.

use super::super::dwell::beyond;

/// Each of the checks may warn falsely once in so many days of work; there are at most five, and one in a hundred is
/// what all of them may do together.
const DAYS_A_FALSE_WARNING: f64 = 500.0;
/// Two values have no spread to speak of.
const VALUES_MIN: usize = 3;

/// By what factor the limit must exceed the largest of these values; nothing if they are too few to tell.
/// `spread_min` is the ratio of largest to smallest that is always allowed for.
pub(super) fn factor(values: &[f64], spread_min: f64) -> Option<f64> {
    if values.len() < VALUES_MIN || values.iter().any(|value| *value <= 0.0) {
        return None;
    }
    let largest = values.iter().copied().fold(f64::MIN, f64::max);
    let smallest = values.iter().copied().fold(f64::MAX, f64::min);
    let spread = (largest / smallest).max(spread_min).ln();
    #[expect(clippy::cast_precision_loss, reason = "nobody records so many days")]
    let count = values.len() as f64;
    let exceeds = |by: f64| beyond(spread, by, count) / (count + 1.0);
    if exceeds(0.0) * DAYS_A_FALSE_WARNING <= 1.0 {
        return Some(1.0);
    }
    let by = spread * ((DAYS_A_FALSE_WARNING / (count + 1.0)).powf(1.0 / (count - 1.0)) - 1.0);
    Some(by.exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Drawn from a uniform law, the next value passes the limit as rarely as promised.
    #[test]
    fn the_next_value_is_beyond_the_limit_as_seldom_as_was_promised() {
        let mut state = 1_u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            #[expect(clippy::cast_precision_loss, reason = "53 bits of it")]
            let part = (state >> 11) as f64 / (1_u64 << 53) as f64;
            part.exp()
        };
        for count in [4, 8, 20] {
            let (mut beyond, trials) = (0_u32, 20_000_u32);
            for _ in 0..trials {
                let values: Vec<f64> = (0..count).map(|_| uniform()).collect();
                let largest = values.iter().copied().fold(f64::MIN, f64::max);
                beyond += u32::from(uniform() > largest * factor(&values, 1.0001).unwrap());
            }
            let once_in = f64::from(trials) / f64::from(beyond.max(1));
            assert!(once_in > DAYS_A_FALSE_WARNING / 2.0, "{count} values: once in {once_in}");
        }
    }

    #[test]
    fn few_values_or_a_wide_spread_ask_for_more_margin() {
        assert_eq!(factor(&[100.0, 101.0], 1.01), None);
        assert_eq!(factor(&[100.0, 0.0, 101.0], 1.01), None);
        let of = |values: &[f64]| factor(values, 1.01).unwrap();
        assert!(of(&[100.0, 105.0, 110.0]) > of(&[100.0, 102.0, 105.0, 107.0, 110.0]));
        assert!(of(&[100.0, 105.0, 110.0, 140.0]) > of(&[100.0, 105.0, 108.0, 110.0]));
        assert!(of(&[100.0; 12]) < 1.02);
    }
}
