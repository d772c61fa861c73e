//! When a schedule fires: a cron expression in a time zone, by one rule for gaps and overlaps.

use std::cmp::Ordering;

use croner::Cron;
use croner::errors::CronError;
use croner::parser::{CronParser, Seconds, Year};
use croner::time::{CivilDateTime, CronDateTime, Resolution, Weekday};
use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, TimeZone};

use idlegate_guard::time::WallTime;

/// Equal when written alike, whatever the time zone database has learned between.
#[derive(Clone, Debug)]
pub struct Timetable {
    expression: String,
    zone_name: String,
    cron: Cron,
    zone: TimeZone,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadTimetable {
    #[error("a cron expression has five fields: minute, hour, day of the month, month, day of the week")]
    NotFiveFields,
    #[error("{0}")]
    Expression(String),
    #[error("there is no day on which this fires")]
    NeverFires,
    #[error("no such time zone")]
    UnknownZone,
}

/// Enough for a day that the clocks are set back by, minute by minute.
const REPEATED_MINUTES_MAX: usize = 1_441;

impl Timetable {
    pub fn new(expression: &str, zone_name: &str) -> Result<Timetable, BadTimetable> {
        if expression.split_whitespace().count() != 5 {
            return Err(BadTimetable::NotFiveFields);
        }
        if let Some(foreign) = expression.split_whitespace().find(|field| !is_posix(field)) {
            let told = format!(
                "{:?} is not made of numbers, names, *, ranges and steps",
                crate::text::bounded(foreign)
            );
            return Err(BadTimetable::Expression(told));
        }
        out_of_range(expression)?;
        let parser = CronParser::builder().seconds(Seconds::Disallowed).year(Year::Disallowed).build();
        let cron = parser
            .parse(expression)
            .map_err(|error| BadTimetable::Expression(not_cron(&error.to_string())))?;
        let zone = TimeZone::get(zone_name).map_err(|_| BadTimetable::UnknownZone)?;
        let timetable =
            Timetable { expression: expression.to_owned(), zone_name: zone_name.to_owned(), cron, zone };
        match timetable.next_after(WallTime(0)) {
            Some(_) => Ok(timetable),
            None => Err(BadTimetable::NeverFires),
        }
    }

    /// A step in the days of the month beside days of the week: it fires on days that fit either of them.
    pub fn is_odd(&self) -> bool {
        let fields: Vec<&str> = self.expression.split_whitespace().collect();
        matches!(fields[..], [_, _, days, _, weekdays] if days.starts_with("*/") && weekdays != "*" && !weekdays.starts_with("*/"))
    }

    /// A firing as the clock on the wall shows it there.
    pub fn shown(&self, wall: WallTime) -> String {
        let Ok(time) = Timestamp::from_millisecond(wall.0) else { return String::new() };
        let civil = self.zone.to_datetime(time).strftime("%a %Y-%m-%d %H:%M").to_string();
        format!("{civil} {}", self.zone.to_offset_info(time).abbreviation())
    }

    pub fn expression(&self) -> &str {
        &self.expression
    }

    pub fn zone_name(&self) -> &str {
        &self.zone_name
    }

    /// The first firing later than `wall`.
    pub fn next_after(&self, wall: WallTime) -> Option<WallTime> {
        let mut civil = self.civil(wall)?;
        for _ in 0..REPEATED_MINUTES_MAX {
            civil = self.cron.find_next_occurrence(&civil, false).ok()?;
            // In the second round of an overlap the times of the first have passed.
            let instant = self.instant(civil.0)?;
            if instant > wall {
                return Some(instant);
            }
        }
        None
    }

    /// The last firing no later than `wall`.
    pub(crate) fn last_until(&self, wall: WallTime) -> Option<WallTime> {
        let civil = self.cron.find_previous_occurrence(&self.civil(wall)?, true).ok()?;
        let mut last = self.instant(civil.0).filter(|instant| *instant <= wall)?;
        // In the second round of an overlap, what the first round had later than this hour.
        for _ in 0..REPEATED_MINUTES_MAX {
            match self.next_after(last) {
                Some(later) if later <= wall => last = later,
                Some(_) | None => break,
            }
        }
        Some(last)
    }

    fn civil(&self, wall: WallTime) -> Option<Civil> {
        Some(Civil(self.zone.to_datetime(Timestamp::from_millisecond(wall.0).ok()?)))
    }

    /// The one instant that a time on the clock stands for.
    fn instant(&self, civil: DateTime) -> Option<WallTime> {
        let offset = match self.zone.to_ambiguous_timestamp(civil).offset() {
            AmbiguousOffset::Unambiguous { offset } => offset,
            AmbiguousOffset::Fold { before, .. } => before,
            AmbiguousOffset::Gap { after, .. } => {
                let ahead = after.to_timestamp(civil).ok()?;
                let jump = self.zone.following(ahead).next()?;
                return Some(WallTime(jump.timestamp().as_millisecond()));
            }
        };
        Some(WallTime(offset.to_timestamp(civil).ok()?.as_millisecond()))
    }
}

impl PartialEq for Timetable {
    fn eq(&self, other: &Timetable) -> bool {
        self.expression == other.expression && self.zone_name == other.zone_name
    }
}

/// The library's own reason, as part of a sentence.
fn not_cron(why: &str) -> String {
    let why = why.strip_prefix("Component error: ").unwrap_or(why).trim_end_matches('.');
    let mut rest = why.chars();
    rest.next().map_or_else(String::new, |first| first.to_lowercase().chain(rest).collect())
}

const FIELDS: [(&str, u8, u8, &[&str]); 5] = [
    ("the minute", 0, 59, &[]),
    ("the hour", 0, 23, &[]),
    ("the day of the month", 1, 31, &[]),
    (
        "the month",
        1,
        12,
        &["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"],
    ),
    ("the day of the week", 0, 7, &["sun", "mon", "tue", "wed", "thu", "fri", "sat"]),
];

/// Which field is wrong, and what it may be.
fn out_of_range(expression: &str) -> Result<(), BadTimetable> {
    for (field, (what, least, most, names)) in expression.split_whitespace().zip(FIELDS) {
        let values =
            field.split(',').filter_map(|part| part.split('/').next()).flat_map(|part| part.split('-'));
        for value in values.filter(|value| *value != "*") {
            let in_range = value.parse::<u8>().is_ok_and(|number| (least..=most).contains(&number));
            if !in_range && !names.contains(&value.to_lowercase().as_str()) {
                let or_names = match (names.first(), names.last()) {
                    (Some(first), Some(last)) => format!(", or {first} to {last}"),
                    _ => String::new(),
                };
                return Err(BadTimetable::Expression(format!(
                    "{what} is {value}; it goes from {least} to {most}{or_names}"
                )));
            }
        }
    }
    Ok(())
}

/// Extensions (seconds, nicknames, "last Friday") read differently from tool to tool.
fn is_posix(field: &str) -> bool {
    let known = |part: &str| {
        part == "*"
            || (!part.is_empty() && part.len() <= 2 && part.bytes().all(|byte| byte.is_ascii_digit()))
            || (part.len() == 3 && part.bytes().all(|byte| byte.is_ascii_alphabetic()))
    };
    field.split([',', '-', '/']).all(known)
}

/// A time on the clock without a zone: the calendar is searched first, the zone asked afterwards.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Civil(DateTime);

impl CronDateTime for Civil {
    fn to_civil(&self) -> CivilDateTime {
        let part = |value: i8| u32::try_from(value).unwrap_or(0);
        let time = self.0;
        CivilDateTime::new(
            croner::time::CivilDate::from_parts_unchecked(
                i32::from(time.year()),
                part(time.month()),
                part(time.day()),
            ),
            croner::time::CivilTime::from_parts_unchecked(
                part(time.hour()),
                part(time.minute()),
                part(time.second()),
            ),
        )
    }

    fn civil_weekday(&self) -> Weekday {
        let days = self.0.weekday().to_sunday_zero_offset();
        Weekday::from_days_from_sunday(u32::try_from(days).unwrap_or(0))
    }

    fn resolve_civil(&self, civil: CivilDateTime) -> Result<Resolution<Civil>, CronError> {
        let part = |value: u32| i8::try_from(value).map_err(|_| CronError::InvalidTime);
        let year = i16::try_from(civil.year()).map_err(|_| CronError::InvalidTime)?;
        let (month, day) = (part(civil.month())?, part(civil.day())?);
        let (hour, minute, second) = (part(civil.hour())?, part(civil.minute())?, part(civil.second())?);
        let time = DateTime::new(year, month, day, hour, minute, second, 0);
        time.map(|time| Resolution::Single(Civil(time))).map_err(|_| CronError::InvalidTime)
    }

    fn checked_add_seconds(&self, seconds: i64) -> Option<Civil> {
        self.0.checked_add(jiff::Span::new().try_seconds(seconds).ok()?).ok().map(Civil)
    }

    fn cmp_instant(&self, other: &Civil) -> Ordering {
        self.0.cmp(&other.0)
    }
}
