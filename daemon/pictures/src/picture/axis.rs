//! Scales: where values and times stand, and which of them are written at the edge.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use idlegate_guard::time::WallTime;

/// A scale for watts: linear near nothing, logarithmic above, so that a standby of 4 W and a heater of 3 kW can both
/// be seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    top: f64,
}

/// Up to here the scale is nearly linear.
const KNEE: f64 = 4.0;

impl Scale {
    pub(super) fn up_to(value_max: f64) -> Scale {
        let ticks = Scale::steps().find(|tick| *tick >= value_max);
        Scale { top: ticks.unwrap_or(value_max).max(10.0) }
    }

    /// From 0 at the bottom to 1 at the top.
    pub(super) fn place(self, value: f64) -> f64 {
        let bend = |value: f64| (value.max(0.0) / KNEE).ln_1p();
        (bend(value) / bend(self.top)).clamp(0.0, 1.0)
    }

    pub(super) fn ticks(self) -> Vec<f64> {
        let decades = Scale::steps().take_while(|tick| *tick <= self.top);
        std::iter::once(0.0).chain(decades.filter(|tick| *tick >= 3.0)).collect()
    }

    /// 1, 3, 10, 30, ...
    fn steps() -> impl Iterator<Item = f64> {
        (0..10).flat_map(|decade| [10f64.powi(decade), 3.0 * 10f64.powi(decade)])
    }
}

/// Times worth writing: at most so many, at round hours, minutes or seconds of the zone.
pub(super) fn times(from: WallTime, until: WallTime, zone: &TimeZone, count_max: i64) -> Vec<WallTime> {
    const STEPS_SECS: [i64; 17] = [
        1, 5, 10, 30, 60, 120, 300, 600, 1_800, 3_600, 7_200, 10_800, 21_600, 43_200, 86_400, 604_800,
        2_592_000,
    ];
    let length = (until.0 - from.0).max(1);
    let step = STEPS_SECS.iter().map(|secs| secs * 1_000).find(|step| length / step < count_max);
    let step = step.unwrap_or(length);
    let offset = instant(from).map_or(0, |begin| i64::from(zone.to_offset(begin).seconds()) * 1_000);
    let first = (from.0 + offset).div_euclid(step) * step - offset;
    let first = if first < from.0 { first + step } else { first };
    (0..=count_max).map(|index| WallTime(first + index * step)).take_while(|at| *at <= until).collect()
}

/// `09:30`, with seconds where the picture is short, with the day where it is long.
pub(super) fn time_label(at: WallTime, zone: &TimeZone, length_millis: i64) -> String {
    let format = match length_millis {
        ..300_000 => "%H:%M:%S",
        300_000..172_800_000 => "%H:%M",
        _ => "%d %b",
    };
    written(at, zone, format)
}

/// `2026-11-25 CET`
pub(super) fn day_label(at: WallTime, zone: &TimeZone) -> String {
    let name = instant(at).map(|at| zone.to_offset_info(at).abbreviation().to_owned());
    format!("{} {}", written(at, zone, "%Y-%m-%d"), name.unwrap_or_default())
}

/// Nothing for a time beyond any calendar.
fn written(at: WallTime, zone: &TimeZone, format: &str) -> String {
    instant(at).map_or_else(String::new, |at| zone.to_datetime(at).strftime(format).to_string())
}

fn instant(at: WallTime) -> Option<Timestamp> {
    Timestamp::from_millisecond(at.0).ok()
}

/// `30`, `3 k`
pub(super) fn value_label(value: f64) -> String {
    if value >= 1_000.0 { format!("{} k", value / 1_000.0) } else { format!("{value}") }
}
