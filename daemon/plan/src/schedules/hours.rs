//! The hours in which an input may ask: ranges of local time on days of the week, in one time zone.
//!
//! A range is judged by what a clock on the wall shows, so in spring the skipped hour is never inside and in autumn the
//! repeated hour counts both times. The end of a range is not part of it. One that ends no later than it begins runs
//! past midnight and belongs to the day on which it begins.

use std::fmt;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::watch::TRUSTED_FROM;
use idlegate_guard::time::WallTime;

/// Equal when written alike.
#[derive(Clone, Debug)]
pub struct Hours {
    written: Vec<String>,
    zone_name: String,
    ranges: Vec<Range>,
    zone: TimeZone,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Range {
    /// Monday first.
    days: [bool; 7],
    from_minute: u16,
    to_minute: u16,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadHours {
    #[error("no such time zone")]
    UnknownZone,
    /// Which of the ranges it is.
    #[error(
        "not a range of hours such as \"mon-fri 07:00-22:00\", \"sat,sun 9:00-18:00\" or \"22:00-06:00\""
    )]
    Range(usize),
}

/// What the clock on the wall says about a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Within {
    Yes,
    No,
    /// The clock has not been set yet.
    ClockNotSet,
}

const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
const DAY_MINUTES: u16 = 24 * 60;

impl Hours {
    pub fn new(ranges: &[&str], zone_name: &str) -> Result<Hours, BadHours> {
        let zone = TimeZone::get(zone_name).map_err(|_| BadHours::UnknownZone)?;
        let parsed = ranges.iter().enumerate().map(|(at, text)| range(text).ok_or(BadHours::Range(at)));
        Ok(Hours {
            ranges: parsed.collect::<Result<_, _>>()?,
            written: ranges
                .iter()
                .map(|text| text.split_whitespace().collect::<Vec<_>>().join(" "))
                .collect(),
            zone_name: zone_name.to_owned(),
            zone,
        })
    }

    pub fn within(&self, wall: WallTime) -> Within {
        if wall < TRUSTED_FROM {
            return Within::ClockNotSet;
        }
        let Ok(instant) = Timestamp::from_millisecond(wall.0) else { return Within::ClockNotSet };
        let civil = self.zone.to_datetime(instant);
        let part = |value: i8| u16::try_from(value).unwrap_or(0);
        let minute = part(civil.hour()) * 60 + part(civil.minute());
        let day = usize::from(part(civil.weekday().to_monday_zero_offset()));
        if self.ranges.iter().any(|range| range.contains(day, minute)) { Within::Yes } else { Within::No }
    }

    /// The time on the clock there, as people say it: "Sat 23:10".
    pub fn local(&self, wall: WallTime) -> String {
        Timestamp::from_millisecond(wall.0)
            .map(|instant| self.zone.to_datetime(instant).strftime("%a %H:%M").to_string())
            .unwrap_or_default()
    }
}

impl Range {
    fn contains(&self, day: usize, minute: u16) -> bool {
        let yesterday = (day + 6) % 7;
        if self.from_minute < self.to_minute {
            return self.days[day] && (self.from_minute..self.to_minute).contains(&minute);
        }
        (self.days[day] && minute >= self.from_minute) || (self.days[yesterday] && minute < self.to_minute)
    }
}

impl PartialEq for Hours {
    fn eq(&self, other: &Hours) -> bool {
        self.written == other.written && self.zone_name == other.zone_name
    }
}

impl fmt::Display for Hours {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({})", self.written.join(", "), self.zone_name)
    }
}

fn range(text: &str) -> Option<Range> {
    let mut parts = text.split_whitespace();
    let (days, times) = match (parts.next()?, parts.next(), parts.next()) {
        (times, None, _) => ([true; 7], times),
        (days, Some(times), None) => (days_of(days)?, times),
        (_, Some(_), Some(_)) => return None,
    };
    let (from, to) = times.split_once('-')?;
    let (from_minute, to_minute) = (minute_of(from)?, minute_of(to)?);
    (from_minute < DAY_MINUTES && from_minute != to_minute && to_minute > 0).then_some(Range {
        days,
        from_minute,
        to_minute,
    })
}

/// Single days and ranges of days; "fri-mon" runs over the weekend.
fn days_of(text: &str) -> Option<[bool; 7]> {
    let index = |name: &str| DAYS.iter().position(|day| day.eq_ignore_ascii_case(name));
    let mut days = [false; 7];
    for part in text.split(',') {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let (first, last) = (index(first)?, index(last)?);
        for step in 0..=(last + 7 - first) % 7 {
            days[(first + step) % 7] = true;
        }
    }
    Some(days)
}

/// From 0:00 to 24:00, which is the end of the day.
fn minute_of(text: &str) -> Option<u16> {
    let (hour, minute) = text.split_once(':')?;
    let digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if !(1..=2).contains(&hour.len()) || minute.len() != 2 || !digits(hour) || !digits(minute) {
        return None;
    }
    let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
    let total = hour * 60 + minute;
    (minute < 60 && total <= DAY_MINUTES).then_some(total)
}
