//! Lines of CSV: a time, then one column for each signal.

use std::sync::Arc;

use super::error::LineFault;
use super::point::Point;
use idlegate_plan::event::Value;
use idlegate_plan::text::{bounded, parse_time};

/// Nobody records more than a handful of signals of one machine in one table.
const COLUMNS_MAX: usize = 64;

/// The columns of a file. No cell of it is ever quoted: there are times and numbers only.
#[derive(Debug)]
pub(super) struct Columns(Vec<(Arc<str>, Option<Arc<str>>)>);

impl Columns {
    /// From a heading such as `time,watts`.
    pub(super) fn of_heading(line: &str) -> Result<Columns, LineFault> {
        // Spreadsheets begin their files with a byte order mark.
        let mut cells = line.trim_start_matches('\u{feff}').split(',').map(str::trim);
        let signals: Vec<&str> = match cells.next() {
            Some("time") => cells.collect(),
            Some(_) | None => Vec::new(),
        };
        if signals.is_empty() || signals.contains(&"") {
            return Err(LineFault::Heading(bounded(line)));
        }
        if signals.len() >= COLUMNS_MAX {
            return Err(LineFault::TooManyColumns(COLUMNS_MAX));
        }
        Ok(Columns(signals.into_iter().map(|signal| (signal.into(), unit_of(signal))).collect()))
    }

    /// Adds the row's points; `empty` is told of every cell without a value.
    pub(super) fn row(
        &self,
        line: &str,
        number: u64,
        mut empty: impl FnMut(),
        points: &mut impl Extend<Point>,
    ) -> Result<(), LineFault> {
        let (found, expected) = (line.split(',').count(), self.0.len() + 1);
        if found != expected {
            return Err(LineFault::Cells { found, expected });
        }
        let mut cells = line.split(',').map(str::trim);
        let at =
            parse_time(cells.next().unwrap_or_default()).map_err(|fault| LineFault::NotATime(fault.0))?;
        let values = cells.map(value_of).collect::<Result<Vec<_>, _>>()?;
        for ((signal, unit), value) in self.0.iter().zip(values) {
            let Some(value) = value else {
                empty();
                continue;
            };
            let (signal, unit, value) = (signal.clone(), unit.clone(), Value::Number(value));
            points.extend([Point { signal, at, value, unit, line: number }]);
        }
        Ok(())
    }
}

/// Some headings name the unit rather than the quantity.
fn unit_of(heading: &str) -> Option<Arc<str>> {
    let unit = match heading {
        "watts" => "W",
        "volts" => "V",
        "amperes" => "A",
        "celsius" => "Cel",
        _ => return None,
    };
    Some(unit.into())
}

/// Nothing where the meter had nothing to say. Loggers write NaN for that, or leave the cell empty.
fn value_of(cell: &str) -> Result<Option<f64>, LineFault> {
    if cell.is_empty() {
        return Ok(None);
    }
    let value: f64 = cell.parse().map_err(|_| LineFault::NotANumber(bounded(cell)))?;
    Ok(Some(value).filter(|value| value.is_finite()))
}
