//! The lines of a recording in CSV: a time, then one column for each signal, found by its name as `idlegate detector try` does.

use super::recording::RecordingError;
use crate::{Millis, Reading, Signal, Value, ValueKind};

/// How the first column counts time, as its heading says.
#[derive(Debug, Clone, Copy)]
enum Clock {
    Stamp,
    Seconds,
    Minutes,
}

/// All readings of a recording, in the order of its lines.
pub(super) fn readings(text: &str, signals: &[Signal]) -> Result<Vec<Reading>, RecordingError> {
    let mut lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let (_, heading) =
        lines.next().ok_or_else(|| RecordingError::line(1, "has no heading such as time,watts"))?;
    // Spreadsheets begin their files with a byte order mark.
    let mut heading = heading.trim_start_matches('\u{feff}').split(',').map(str::trim);
    let clock = match heading.next() {
        Some("time") => Clock::Stamp,
        Some("seconds") => Clock::Seconds,
        Some("minutes") => Clock::Minutes,
        _ => return Err(RecordingError::line(1, "does not begin with time, seconds or minutes")),
    };
    let columns = columns(&heading.collect::<Vec<_>>(), signals)?;
    let mut readings = Vec::new();
    for (index, line) in lines {
        let fault = |fault: &str| RecordingError::line(index + 1, fault);
        let mut cells = line.split(',').map(str::trim);
        let at = cells.next().and_then(|cell| time(cell, clock));
        let at = at.ok_or_else(|| fault("has no time that can be read"))?;
        if line.split(',').count() != columns.len() + 1 {
            return Err(fault("does not have as many columns as the heading"));
        }
        for (signal, cell) in columns.iter().zip(cells).filter(|(_, cell)| !cell.is_empty()) {
            let value = match signals[*signal as usize].kind {
                ValueKind::Text => Value::Text(cell.to_owned()),
                ValueKind::Number => {
                    let number = cell.parse().map_err(|_| fault(&format!("{cell:?} is not a number")))?;
                    Value::Number(number)
                }
            };
            readings.push(Reading { signal: *signal, at, value });
        }
    }
    Ok(readings)
}

/// The signal of each column: the one of its name, or else the only one in its unit.
fn columns(heading: &[&str], signals: &[Signal]) -> Result<Vec<u32>, RecordingError> {
    let columns = heading.iter().map(|column| place(column, signals)).collect::<Result<Vec<_>, _>>()?;
    for (signal, place) in signals.iter().zip(0..) {
        let times = columns.iter().filter(|column| **column == place).count();
        if times > 1 {
            return Err(RecordingError::line(1, &format!("has {times} columns for {}", signal.name)));
        }
        if times == 0 && signal.needed {
            let known = heading.join(", ");
            let fault =
                format!("has no column for {}, which the detector needs; it has {known}", signal.name);
            return Err(RecordingError::line(1, &fault));
        }
    }
    Ok(columns)
}

fn place(column: &str, signals: &[Signal]) -> Result<u32, RecordingError> {
    let unit = match column {
        "watts" => "W",
        "volts" => "V",
        "amperes" => "A",
        "celsius" => "Cel",
        _ => "",
    };
    let places = (0..).zip(signals);
    if let Some((place, _)) = places.clone().find(|(_, signal)| signal.name == column) {
        return Ok(place);
    }
    let mut of_unit = places.filter(|(_, signal)| !unit.is_empty() && signal.unit == unit);
    match (of_unit.next(), of_unit.next()) {
        (Some((place, _)), None) => Ok(place),
        (Some((_, one)), Some((_, other))) => {
            let fault = format!("{column:?} could be {} or {}; name the column so", one.name, other.name);
            Err(RecordingError::line(1, &fault))
        }
        (None, _) => Err(RecordingError::line(1, &unknown(column, signals))),
    }
}

fn unknown(column: &str, signals: &[Signal]) -> String {
    let near = signals.iter().map(|signal| (strsim::osa_distance(column, signal.name), signal.name)).min();
    match near.filter(|(distance, _)| *distance <= 1 + column.chars().count() / 4) {
        Some((_, name)) => format!("{column:?} is none of the detector's signals; did you mean {name}?"),
        None => {
            let known = signals.iter().map(|signal| signal.name).collect::<Vec<_>>().join(", ");
            format!("{column:?} is none of the detector's signals, which are {known}; leave the column out")
        }
    }
}

fn time(cell: &str, clock: Clock) -> Option<Millis> {
    match clock {
        Clock::Stamp => stamp(cell),
        Clock::Seconds => millis(cell.parse::<f64>().ok()? * 1_000.0),
        Clock::Minutes => millis(cell.parse::<f64>().ok()? * 60_000.0),
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "inside the range just checked")]
fn millis(millis: f64) -> Option<Millis> {
    (0.0..9e15).contains(&millis).then(|| Millis(millis.round() as u64))
}

/// Milliseconds since 1970 of a time such as `2011-12-24T00:00:02.5Z` (RFC 3339 in UTC).
fn stamp(cell: &str) -> Option<Millis> {
    let (date, clock) = cell.strip_suffix('Z')?.split_once('T')?;
    let [year, month, day] = three(date.split('-'))?;
    let [hour, minute, second] = three(clock.split(':'))?;
    let (year, month, day) = (whole(year)?, whole(month)?, whole(day)?);
    let seconds = days_since_1970(year, month, day)? * 86_400 + whole(hour)? * 3_600 + whole(minute)? * 60;
    let fraction = millis(second.parse::<f64>().ok()? * 1_000.0)?;
    Some(Millis(seconds * 1_000 + fraction.0))
}

fn three<'t>(mut parts: impl Iterator<Item = &'t str>) -> Option<[&'t str; 3]> {
    let three = [parts.next()?, parts.next()?, parts.next()?];
    parts.next().is_none().then_some(three)
}

fn whole(digits: &str) -> Option<u64> {
    digits.parse::<u32>().ok().map(u64::from)
}

/// Counts years from March, so that the leap day is the last of its year.
fn days_since_1970(year: u64, month: u64, day: u64) -> Option<u64> {
    if !(1970..=9999).contains(&year) || !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    let year = if month > 2 { year } else { year - 1 };
    let month = (month + 9) % 12;
    let days = 365 * year + year / 4 - year / 100 + year / 400 + (153 * month + 2) / 5 + day;
    // The same sum for 1970-01-01.
    Some(days - 719_469)
}

#[cfg(test)]
mod tests {
    use super::{readings, stamp};
    use crate::Signal;

    const SIGNALS: &[Signal] = &[
        Signal::number("power", "W", ""),
        Signal::number("fan-power", "W", "").optional(),
        Signal::number("coolant", "Cel", ""),
        Signal::text("status", "").optional(),
    ];

    #[test]
    fn columns_find_their_signals_by_name_whatever_their_order() {
        let found = readings("seconds,status,coolant,power\n0,7,24.5,118\n", SIGNALS).expect("good");
        let shown: Vec<_> = found.iter().map(|it| (it.signal, it.as_number(), it.as_text())).collect();
        assert_eq!(shown, [(3, None, Some("7")), (2, Some(24.5), None), (0, Some(118.0), None)]);
        assert_eq!(readings("seconds,power,celsius\n0,1,2\n", SIGNALS).expect("good")[1].signal, 2);
    }

    #[test]
    fn a_column_that_is_no_signal_and_a_signal_without_a_column_are_named() {
        for (csv, fault) in [
            (
                "time,power,collant\n",
                r#"line 1: "collant" is none of the detector's signals; did you mean coolant?"#,
            ),
            (
                "time,power,humidity\n",
                "line 1: \"humidity\" is none of the detector's signals, which are power, fan-power, coolant, status; \
                 leave the column out",
            ),
            ("time,power\n", "line 1: has no column for coolant, which the detector needs; it has power"),
            ("time,watts,coolant\n", r#"line 1: "watts" could be power or fan-power; name the column so"#),
            ("time,power,coolant,power\n", "line 1: has 2 columns for power"),
            ("seconds,power,coolant\n0,1,warm\n", r#"line 2: "warm" is not a number"#),
        ] {
            assert_eq!(readings(csv, SIGNALS).expect_err(csv).to_string(), fault);
        }
    }

    #[test]
    fn stamps_are_milliseconds_since_1970() {
        for (text, millis) in [
            ("1970-01-01T00:00:00Z", Some(0)),
            ("2000-02-29T12:00:00Z", Some(951_825_600_000)),
            ("2011-12-24T00:00:02.5Z", Some(1_324_684_802_500)),
            ("2026-03-01T00:00:00Z", Some(1_772_323_200_000)),
            ("2011-12-24 00:00:02", None),
            ("2011-13-24T00:00:02Z", None),
        ] {
            assert_eq!(stamp(text).map(|at| at.0), millis, "{text}");
        }
    }
}
