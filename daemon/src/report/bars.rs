//! Energy by week, as bars.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use svg::Document;
use svg::node::element::{Rectangle, Text, Title};

use super::ledger::{MachineSum, kilowatt_hours};
use super::table::day_of;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 96.0;
const STEP: f64 = 26.0;

/// The first day and the kilowatt-hours of each calendar week (ISO 8601, from Monday), in order.
pub(super) fn weeks(sum: &MachineSum, zone: &TimeZone) -> Vec<(Date, f64)> {
    let mut weeks: Vec<(Date, f64)> = Vec::new();
    for (at, watts) in &sum.minutes {
        let Some(day) = day_of(*at, zone) else { continue };
        let back = i64::from(day.weekday().to_monday_zero_offset());
        let Ok(monday) = day.checked_sub(jiff::Span::new().days(back)) else { continue };
        let energy = kilowatt_hours(watts * 60.0);
        match weeks.last_mut() {
            Some((week, sum)) if *week == monday => *sum += energy,
            Some(_) | None => weeks.push((monday, energy)),
        }
    }
    weeks
}

pub(super) fn svg(weeks: &[(Date, f64)]) -> String {
    let most = weeks.iter().map(|(_, energy)| *energy).fold(0.0, f64::max);
    let rows: f64 = weeks.iter().map(|_| STEP).sum();
    let mut document = Document::new()
        .set("viewBox", (0, 0, WIDTH, rows + 8.0))
        .set("role", "img")
        .set("aria-label", "energy by week");
    let mut top = 4.0;
    for (monday, energy) in weeks {
        let length = if most > 0.0 { (WIDTH - LEFT - 110.0) * energy / most } else { 0.0 };
        let label = Text::new(monday.to_string()).set("class", "soft").set("x", 0).set("y", top + 15.0);
        let bar = Rectangle::new()
            .set("class", "bar")
            .set("x", LEFT)
            .set("y", top)
            .set("width", length.max(1.0))
            .set("height", STEP - 6.0)
            .add(Title::new(format!("week from {monday}: {energy:.2} kWh")));
        let value = Text::new(format!("{energy:.2} kWh")).set("x", LEFT + length + 8.0).set("y", top + 15.0);
        document = document.add(label).add(bar).add(value);
        top += STEP;
    }
    document.to_string()
}
