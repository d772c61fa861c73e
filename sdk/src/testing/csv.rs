//! The lines of a recording in CSV: a time, then one column per signal.

use super::recording::RecordingError;
use crate::{Millis, Reading, Value};

/// How the first column counts time, as its heading says.
#[derive(Debug, Clone, Copy)]
enum Clock {
    Stamp,
    Seconds,
    Minutes,
}

/// All readings of a recording, in the order of its lines.
pub(super) fn readings(text: &str) -> Result<Vec<Reading>, RecordingError> {
    let mut lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let (_, heading) =
        lines.next().ok_or_else(|| RecordingError::line(1, "has no heading such as time,watts"))?;
    let clock = match heading.split(',').next().map(str::trim) {
        Some("time") => Clock::Stamp,
        Some("seconds") => Clock::Seconds,
        Some("minutes") => Clock::Minutes,
        _ => return Err(RecordingError::line(1, "does not begin with time, seconds or minutes")),
    };
    let columns = heading.split(',').count();
    let mut readings = Vec::new();
    for (index, line) in lines {
        let mut cells = line.split(',').map(str::trim);
        let at = cells.next().and_then(|cell| time(cell, clock));
        let at = at.ok_or_else(|| RecordingError::line(index + 1, "has no time that can be read"))?;
        if line.split(',').count() != columns {
            return Err(RecordingError::line(index + 1, "does not have as many columns as the heading"));
        }
        for (signal, cell) in (0..).zip(cells).filter(|(_, cell)| !cell.is_empty()) {
            let value = cell.parse().map_or_else(|_| Value::Text(cell.to_owned()), Value::Number);
            readings.push(Reading { signal, at, value });
        }
    }
    Ok(readings)
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
    use super::stamp;

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
