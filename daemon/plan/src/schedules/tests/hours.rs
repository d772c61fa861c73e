//! An input must be able to ask in its hours and must not outside them, on the days when the clocks change, too.

use crate::schedules::{BadHours, Hours, Within};
use idlegate_guard::time::WallTime;

fn wall(rfc3339: &str) -> WallTime {
    WallTime(rfc3339.parse::<jiff::Timestamp>().unwrap().as_millisecond())
}

fn within(ranges: &[&str], zone: &str, at: &str) -> bool {
    Hours::new(ranges, zone).unwrap().within(wall(at)) == Within::Yes
}

#[test]
fn a_range_begins_with_its_first_minute_and_ends_before_its_last() {
    // 2026-11-25 is a Wednesday (ISO 8601 week 48), and Berlin is one hour ahead of UTC then.
    for (at, expected) in [
        ("2026-11-25T05:59:59.999Z", false),
        ("2026-11-25T06:00:00Z", true),
        ("2026-11-25T20:59:59.999Z", true),
        ("2026-11-25T21:00:00Z", false),
    ] {
        assert_eq!(within(&["07:00-22:00"], "Europe/Berlin", at), expected, "{at}");
    }
}

#[test]
fn days_are_those_of_the_zone_and_not_of_utc() {
    // Sunday 23:30 UTC is Monday morning in Tokyo.
    assert!(within(&["mon 00:00-24:00"], "Asia/Tokyo", "2026-11-22T23:30:00Z"));
    assert!(!within(&["sun 00:00-24:00"], "Asia/Tokyo", "2026-11-22T23:30:00Z"));
    assert!(within(&["MON-Fri 07:00-22:00", "sat,sun 9:00-18:00"], "UTC", "2026-11-22T09:00:00Z"));
    assert!(!within(&["mon-fri 07:00-22:00", "sat,sun 9:00-18:00"], "UTC", "2026-11-22T18:00:00Z"));
    assert!(within(&["fri-mon 10:00-11:00"], "UTC", "2026-11-22T10:30:00Z"), "over the weekend");
    assert!(!within(&["fri-mon 10:00-11:00"], "UTC", "2026-11-25T10:30:00Z"));
}

#[test]
fn a_range_past_midnight_belongs_to_the_day_on_which_it_begins() {
    let fridays = &["fri 22:00-06:00"];
    assert!(within(fridays, "UTC", "2026-11-27T22:00:00Z"));
    assert!(within(fridays, "UTC", "2026-11-28T05:59:00Z"), "Saturday morning");
    assert!(!within(fridays, "UTC", "2026-11-28T06:00:00Z"));
    assert!(!within(fridays, "UTC", "2026-11-28T22:00:00Z"), "Saturday evening");
    assert!(!within(fridays, "UTC", "2026-11-27T05:59:00Z"), "Friday morning");
}

#[test]
fn in_spring_the_skipped_hour_is_never_inside_and_in_autumn_the_repeated_one_counts_twice() {
    // Berlin 2026: 29 March 01:00Z 02:00 → 03:00; 25 October 01:00Z 03:00 → 02:00 (IANA time zone database).
    let night = &["02:00-03:00"];
    for minute in 0..180 {
        let at = WallTime(wall("2026-03-29T00:00:00Z").0 + minute * 60_000);
        assert_eq!(Hours::new(night, "Europe/Berlin").unwrap().within(at), Within::No, "{minute}");
    }
    assert!(!within(night, "Europe/Berlin", "2026-10-24T23:59:00Z"));
    assert!(within(night, "Europe/Berlin", "2026-10-25T00:30:00Z"));
    assert!(within(night, "Europe/Berlin", "2026-10-25T01:30:00Z"));
    assert!(!within(night, "Europe/Berlin", "2026-10-25T02:00:00Z"));
}

#[test]
fn a_clock_that_was_never_set_says_nothing_about_hours() {
    let always = Hours::new(&["00:00-24:00"], "UTC").unwrap();
    assert_eq!(always.within(wall("1970-01-01T12:00:00Z")), Within::ClockNotSet);
    assert_eq!(always.within(wall("2026-01-01T12:00:00Z")), Within::Yes);
}

#[test]
fn what_is_no_range_is_refused_by_its_place() {
    for bad in [
        "",
        "mon",
        "7-22",
        "07:00",
        "07:00-25:00",
        "24:00-06:00",
        "07:60-08:00",
        "07:00-07:00",
        "22:00-00:00",
        "mo 07:00-08:00",
        "mon-fri 07:00-08:00 x",
        "mon- 07:00-08:00",
        "+7:00-08:00",
        "07:0-08:00",
        "007:00-08:00",
    ] {
        assert_eq!(Hours::new(&["07:00-22:00", bad], "UTC"), Err(BadHours::Range(1)), "{bad:?}");
    }
    assert_eq!(Hours::new(&["07:00-22:00"], "Europe/Brelin"), Err(BadHours::UnknownZone));
}

#[test]
fn they_read_as_they_were_written_and_times_as_people_say_them() {
    let hours = Hours::new(&["mon-fri  07:00-22:00", "sat 9:00-18:00"], "Europe/Berlin").unwrap();
    assert_eq!(hours.to_string(), "mon-fri 07:00-22:00, sat 9:00-18:00 (Europe/Berlin)");
    assert_eq!(hours.local(wall("2026-11-28T22:10:00Z")), "Sat 23:10");
}
