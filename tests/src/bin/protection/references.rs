//! What a practitioner would have instead: two rules, as the moments between which they would let power be cut.

use super::meters::{Day, longest_pause_secs};
use super::score::Stretches;

pub(crate) const BARE_RULE: &str =
    "idle is what draws no more than the median of its idle draw and 10 W, now";

pub(crate) const LEARNT_DWELL: &str = "busy above the 99.5th percentile of its idle draw and 2 W, and idle after one and \
    a half times the longest pause inside a job, three minutes at least; all of the same one day with its jobs marked";

/// As [`BARE_RULE`] says.
pub(crate) fn bare_rule(calibration: &Day, day: &Day) -> Stretches {
    let level = usual(calibration, 0.5) + 10.0;
    quiet_for(day, level, 0)
}

/// As [`LEARNT_DWELL`] says.
pub(crate) fn learnt_dwell(calibration: &Day, day: &Day) -> Stretches {
    let level = usual(calibration, 0.995) + 2.0;
    let dwell = (1.5 * longest_pause_secs(calibration, level)).max(180.0);
    #[expect(clippy::cast_possible_truncation, reason = "less than a day")]
    let dwell_millis = (dwell * 1_000.0) as i64;
    quiet_for(day, level, dwell_millis)
}

/// The draw outside of jobs that this part of the readings does not exceed.
fn usual(day: &Day, part: f64) -> f64 {
    let mut idle: Vec<f64> =
        day.draws().filter(|(at, _)| !day.at_work(*at)).map(|(_, watts)| watts).collect();
    idle.sort_unstable_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "an index"
    )]
    let index = (part * idle.len().saturating_sub(1) as f64).round() as usize;
    idle.get(index).copied().unwrap_or(0.0)
}

/// Neither of them minds how old the last reading is.
fn quiet_for(day: &Day, level_watts: f64, dwell_millis: i64) -> Stretches {
    let mut stretches = Stretches::default();
    let (mut quiet_since, mut open) = (None, None);
    for (at, watts) in day.draws() {
        if watts > level_watts {
            quiet_since = None;
            if let Some(from) = open.take() {
                stretches.0.push((from, at));
            }
            continue;
        }
        let since = *quiet_since.get_or_insert(at);
        if at - since >= dwell_millis {
            open.get_or_insert(at);
        }
    }
    stretches.0.extend(open.map(|from| (from, day.take.until().0)));
    stretches
}
