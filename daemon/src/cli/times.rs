//! Times as people type them, by the clock on the wall, and lengths of time.

use jiff::civil::{Date, DateTime, Time as Civil};
use jiff::tz::TimeZone;
use jiff::{Timestamp, Unit};

use idlegate_guard::time::{Span, WallTime};
use idlegate_os::Clock;
use idlegate_plan::text::parse_time;

/// A day is its local midnight, and a time without a zone is local.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Time(WallTime);

impl Time {
    pub(super) fn wall(self) -> WallTime {
        self.0
    }
}

impl std::str::FromStr for Time {
    type Err = String;

    fn from_str(text: &str) -> Result<Time, String> {
        read(text.trim(), Clock.now().wall, &TimeZone::system()).map(Time).ok_or_else(|| {
            format!(
                "{text:?} is no time; write a day such as 2026-11-25, today, yesterday, this-week, last-week, this-month or \
                 last-month (weeks begin on Monday), a local time such as \"2026-11-25 14:00\" or 14:00, 7d or 12h for so \
                 long ago, or a time with its zone such as 2026-11-25T14:00:00Z"
            )
        })
    }
}

/// A time that is still to come: an hour without a day is the next one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TimeAhead(WallTime);

impl TimeAhead {
    pub(super) fn wall(self) -> WallTime {
        self.0
    }
}

impl std::str::FromStr for TimeAhead {
    type Err = String;

    fn from_str(text: &str) -> Result<TimeAhead, String> {
        ahead(text.trim(), Clock.now().wall, &TimeZone::system()).map(TimeAhead).ok_or_else(|| {
            format!(
                "{text:?} is no time to come; write an hour such as 07:00, a local time such as \"2026-11-25 14:00\", or \
                 one with its zone such as 2026-11-25T14:00:00Z"
            )
        })
    }
}

fn ahead(text: &str, now: WallTime, zone: &TimeZone) -> Option<WallTime> {
    let Some(hour) = hour(text) else { return read(text, now, zone).filter(|time| *time > now) };
    let today = zone.to_datetime(Timestamp::from_millisecond(now.0).ok()?).date();
    let days = [Some(today), today.tomorrow().ok()].into_iter().flatten();
    days.filter_map(|day| zone.to_timestamp(day.to_datetime(hour)).ok())
        .map(|time| WallTime(time.as_millisecond()))
        .find(|time| *time > now)
}

/// An hour of the day, as 7:00 or 07:00.
fn hour(text: &str) -> Option<Civil> {
    let text = if text.len() == 4 { format!("0{text}") } else { text.to_owned() };
    text.parse::<Civil>().ok().filter(|_| text.contains(':') && !text.contains(['-', 'T']))
}

/// A length of time, and more than none of it.
pub(super) fn span(text: &str) -> Result<Span, String> {
    let span =
        humantime::parse_duration(text).map_err(|error| format!("{error}; give a time such as 10s"))?;
    if span.is_zero() { Err("give more than 0 s, such as 10s".to_owned()) } else { Ok(span.into()) }
}

fn read(text: &str, now: WallTime, zone: &TimeZone) -> Option<WallTime> {
    if let Ok(time) = parse_time(text) {
        return Some(time);
    }
    let today = zone.to_datetime(Timestamp::from_millisecond(now.0).ok()?).date();
    let at = |civil: DateTime| Some(WallTime(zone.to_timestamp(civil).ok()?.as_millisecond()));
    let lower = text.to_lowercase();
    if lower == "now" {
        return Some(now);
    }
    if let Some(day) = first_day(&lower, today) {
        return at(day.at(0, 0, 0, 0));
    }
    let ago = lower.strip_suffix("ago").unwrap_or(&lower).trim_end();
    for (unit, millis) in [("d", 86_400_000_i64), ("h", 3_600_000), ("min", 60_000)] {
        let count = ago.strip_suffix(unit).and_then(|count| count.trim_end().parse::<u32>().ok());
        if let Some(count) = count {
            return Some(WallTime(now.0 - i64::from(count) * millis));
        }
    }
    if let Ok(day) = text.parse::<Date>()
        && !text.contains([':', 'T'])
    {
        return at(day.at(0, 0, 0, 0));
    }
    if let Ok(time) = text.replacen(' ', "T", 1).parse::<DateTime>() {
        return at(time);
    }
    let time = hour(text)?;
    at(today.to_datetime(time)).or_else(|| at(today.to_datetime(time.round(Unit::Minute).ok()?)))
}

/// The day with which a stretch of the calendar begins. Weeks begin on Monday (ISO 8601).
fn first_day(word: &str, today: Date) -> Option<Date> {
    let monday = || {
        let back = i64::from(today.weekday().to_monday_zero_offset());
        today.checked_sub(jiff::Span::new().days(back)).ok()
    };
    match word {
        "today" => Some(today),
        "yesterday" => today.yesterday().ok(),
        "this-week" => monday(),
        "last-week" => monday()?.checked_sub(jiff::Span::new().weeks(1)).ok(),
        "this-month" => Some(today.first_of_month()),
        "last-month" => today.first_of_month().checked_sub(jiff::Span::new().months(1)).ok(),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_ahead_is_the_next_one_and_no_time_ahead_is_over() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let instant = |text: &str| WallTime(text.parse::<Timestamp>().unwrap().as_millisecond());
        // The evening before the clocks go back.
        let now = instant("2026-10-24T20:00:00Z");
        for (text, meant) in [
            ("23:00", Some("2026-10-24T21:00:00Z")),
            ("22:00", Some("2026-10-25T21:00:00Z")),
            ("7:00", Some("2026-10-25T06:00:00Z")),
            ("2026-10-25 07:00", Some("2026-10-25T06:00:00Z")),
            ("2026-10-25T07:00:00+01:00", Some("2026-10-25T06:00:00Z")),
            ("2026-10-24 07:00", None),
            ("yesterday", None),
            ("soon", None),
        ] {
            assert_eq!(ahead(text, now, &zone), meant.map(instant), "{text}");
        }
    }

    #[test]
    fn a_day_and_a_time_are_those_of_the_clock_on_the_wall() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let instant = |text: &str| WallTime(text.parse::<Timestamp>().unwrap().as_millisecond());
        // 13:30 in Berlin.
        let now = instant("2026-11-30T12:30:00Z");
        for (text, meant) in [
            ("now", "2026-11-30T12:30:00Z"),
            ("today", "2026-11-29T23:00:00Z"),
            ("yesterday", "2026-11-28T23:00:00Z"),
            // The thirtieth is a Monday, of a month that began in winter time, after one that began in summer time.
            ("this-week", "2026-11-29T23:00:00Z"),
            ("last-week", "2026-11-22T23:00:00Z"),
            ("this-month", "2026-10-31T23:00:00Z"),
            ("Last-Month", "2026-09-30T22:00:00Z"),
            ("7d", "2026-11-23T12:30:00Z"),
            ("12 h ago", "2026-11-30T00:30:00Z"),
            ("2026-07-01", "2026-06-30T22:00:00Z"),
            ("2026-07-01 14:00", "2026-07-01T12:00:00Z"),
            ("2026-07-01T14:00", "2026-07-01T12:00:00Z"),
            ("14:03", "2026-11-30T13:03:00Z"),
            ("9:05", "2026-11-30T08:05:00Z"),
            ("2026-11-25T14:00:00Z", "2026-11-25T14:00:00Z"),
        ] {
            assert_eq!(read(text, now, &zone), Some(instant(meant)), "{text}");
        }
        for text in ["", "soon", "7", "d", "-3d", "25:00", "2026-13-01", "yesterday morning"] {
            assert_eq!(read(text, now, &zone), None, "{text}");
        }
    }
}
