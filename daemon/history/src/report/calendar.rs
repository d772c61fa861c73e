//! Calendar weeks and months: what was drawn and worked in each, as sums and as bars.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use svg::Document;
use svg::node::element::{Rectangle, Text, Title};

use super::ledger::{Doing, MachineSum, kilowatt_hours};
use super::table::day_of;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::Tariff;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unit {
    /// From Monday (ISO 8601).
    Week,
    Month,
}

/// One week or month, or the part of it that lies within the report.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Part {
    pub(super) first_day: Date,
    pub(super) joules: f64,
    pub(super) cost: Option<f64>,
    pub(super) working: Span,
    pub(super) jobs: usize,
    pub(super) cuts: usize,
}

impl Unit {
    pub(super) const ALL: [Unit; 2] = [Unit::Week, Unit::Month];

    pub(super) const fn word(self) -> &'static str {
        match self {
            Unit::Week => "week",
            Unit::Month => "month",
        }
    }

    fn first_day(self, day: Date) -> Option<Date> {
        match self {
            Unit::Week => {
                let back = i64::from(day.weekday().to_monday_zero_offset());
                day.checked_sub(jiff::Span::new().days(back)).ok()
            }
            Unit::Month => Some(day.first_of_month()),
        }
    }

    fn next(self, first_day: Date) -> Option<Date> {
        let step = match self {
            Unit::Week => jiff::Span::new().weeks(1),
            Unit::Month => jiff::Span::new().months(1),
        };
        first_day.checked_add(step).ok()
    }

    pub(super) fn label(self, first_day: Date) -> String {
        match self {
            Unit::Week => first_day.strftime("%Y-%m-%d").to_string(),
            Unit::Month => first_day.strftime("%Y-%m").to_string(),
        }
    }
}

/// In order, without those in which there was nothing.
pub(super) fn parts(sums: &[&MachineSum], unit: Unit, tariff: Option<&Tariff>, zone: &TimeZone) -> Vec<Part> {
    let mut parts = Parts { unit, zone, has_cost: tariff.is_some(), parts: Vec::new() };
    for sum in sums {
        let mut at = Cursor::default();
        for (minute, watts) in &sum.minutes {
            let Some(part) = parts.at(*minute, &mut at) else { continue };
            part.joules += watts * 60.0;
            if let (Some(cost), Some(tariff)) = (&mut part.cost, tariff) {
                *cost += kilowatt_hours(watts * 60.0) * tariff.at(*minute);
            }
        }
        for stretch in sum.stretches.iter().filter(|stretch| stretch.doing == Doing::Working) {
            parts.work(stretch.from, stretch.until);
        }
        // One that began earlier counts where this time begins.
        let first = sum.stretches.first().map(|stretch| stretch.from);
        for job in &sum.jobs {
            let from = first.map_or(job.from, |first| first.max(job.from));
            parts.at(from, &mut at).into_iter().for_each(|part| part.jobs += 1);
        }
        for cut in &sum.cuts {
            parts.at(cut.at, &mut at).into_iter().for_each(|part| part.cuts += 1);
        }
    }
    parts.parts.sort_by_key(|part| part.first_day);
    parts.parts
}

struct Parts<'a> {
    unit: Unit,
    zone: &'a TimeZone,
    has_cost: bool,
    parts: Vec<Part>,
}

/// Where the last one was found: a calendar is not asked for each minute of a year.
#[derive(Default)]
struct Cursor {
    from: i64,
    until: i64,
    index: usize,
}

impl Parts<'_> {
    fn at(&mut self, at: WallTime, cursor: &mut Cursor) -> Option<&mut Part> {
        if !(cursor.from..cursor.until).contains(&at.0) {
            let first_day = self.unit.first_day(day_of(at, self.zone)?)?;
            let begins = |day: Date| Some(self.zone.to_timestamp(day.at(0, 0, 0, 0)).ok()?.as_millisecond());
            (cursor.from, cursor.until) = (begins(first_day)?, begins(self.unit.next(first_day)?)?);
            let known = self.parts.iter().position(|part| part.first_day == first_day);
            cursor.index = known.unwrap_or(self.parts.len());
            if known.is_none() {
                let cost = self.has_cost.then_some(0.0);
                let (working, joules) = (Span::ZERO, 0.0);
                self.parts.push(Part { first_day, joules, cost, working, jobs: 0, cuts: 0 });
            }
        }
        self.parts.get_mut(cursor.index)
    }

    /// Work through a midnight between two of them is divided.
    fn work(&mut self, from: WallTime, until: WallTime) {
        let mut at = from;
        while at < until {
            let mut cursor = Cursor::default();
            if self.at(at, &mut cursor).is_none() {
                return;
            }
            let end = WallTime(cursor.until.min(until.0));
            let part = &mut self.parts[cursor.index];
            part.working = part.working + Span(u64::try_from(end.0 - at.0).unwrap_or(0));
            at = end;
        }
    }
}

const STEP: f64 = 26.0;
/// Of the value behind the bar.
const VALUE_WIDTH: f64 = 90.0;

/// Energy as bars, in a drawing of this width.
pub(super) fn svg(parts: &[Part], unit: Unit, width: f64) -> String {
    const LEFT: f64 = 84.0;
    let most = parts.iter().map(|part| part.joules).fold(0.0, f64::max);
    let rows: f64 = parts.iter().map(|_| STEP).sum();
    let mut document = Document::new()
        .set("viewBox", (0, 0, width, rows + 8.0))
        .set("role", "img")
        .set("aria-label", format!("energy by {}", unit.word()));
    let mut top = 4.0;
    for part in parts {
        let (name, energy) = (unit.label(part.first_day), kilowatt_hours(part.joules));
        let length = if most > 0.0 { (width - LEFT - VALUE_WIDTH) * part.joules / most } else { 0.0 };
        let label = Text::new(name.as_str()).set("class", "soft").set("x", 0).set("y", top + 15.0);
        let bar = Rectangle::new()
            .set("class", "bar")
            .set("x", LEFT)
            .set("y", top)
            .set("width", length.max(1.0))
            .set("height", STEP - 6.0)
            .add(Title::new(format!("{} from {name}: {energy:.2} kWh", unit.word())));
        let value = Text::new(format!("{energy:.2} kWh")).set("x", LEFT + length + 8.0).set("y", top + 15.0);
        document = document.add(label).add(bar).add(value);
        top += STEP;
    }
    document.to_string()
}
