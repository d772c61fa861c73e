//! Gaps, overlaps and the day rule, beside what published tools and RFC 5545 make of them.

use std::collections::BTreeMap;

use jiff::Timestamp;

use crate::schedules::{BadTimetable, Timetable};
use idlegate_guard::time::WallTime;

/// Written by `tests/published/schedules.py`, whose "ours" is worked out without this code.
const FIRINGS: &str = include_str!("firings.tsv");

fn wall(text: &str) -> WallTime {
    WallTime(text.parse::<Timestamp>().unwrap().as_millisecond())
}

fn rows() -> impl Iterator<Item = [&'static str; 6]> {
    let lines = FIRINGS.lines().filter(|line| !line.starts_with('#'));
    lines.map(|line| line.split('\t').collect::<Vec<_>>().try_into().unwrap())
}

fn firings(timetable: &Timetable, from: WallTime, until: WallTime) -> Vec<WallTime> {
    let next = |after: &WallTime| timetable.next_after(*after).filter(|next| *next <= until);
    std::iter::successors(next(&from), next).collect()
}

#[test]
fn a_time_in_a_gap_fires_once_after_it_and_a_repeated_time_fires_the_first_time() {
    let mut checked = 0;
    for [zone, expression, from, until, rule, expected] in rows() {
        if rule == "ours" {
            let timetable = Timetable::new(expression, zone).unwrap();
            let expected: Vec<_> = expected.split(' ').map(wall).collect();
            assert_eq!(firings(&timetable, wall(from), wall(until)), expected, "{expression} in {zone}");
            checked += 1;
        }
    }
    assert_eq!(checked, 12);
}

/// RFC 5545 section 3.3.5 reads a time in a gap with the offset before it: 02:30 becomes 03:30. The tools' newest
/// versions fire after the gap, as here; croniter fires a repeated time twice, and cronsim leaves out a stepped
/// minute that falls into a gap.
#[test]
fn where_published_rules_differ_from_ours_is_known() {
    let mut ours = BTreeMap::new();
    let mut differ: BTreeMap<&str, Vec<(&str, &str, &str)>> = BTreeMap::new();
    for [zone, expression, from, _, rule, firings] in rows() {
        let case = (zone, expression, from.split('T').next().unwrap());
        if rule == "ours" {
            ours.insert(case, firings);
        } else if ours[&case] != firings {
            differ.entry(rule).or_default().push(case);
        }
    }
    let gaps = vec![
        ("Europe/Berlin", "30 2 * * *", "2026-03-28"),
        ("Europe/Berlin", "*/20 2 * * *", "2026-03-28"),
        ("Australia/Lord_Howe", "15 2 * * *", "2026-10-03"),
        ("Africa/Cairo", "30 0 * * *", "2026-04-22"),
        ("America/Santiago", "30 0 * * *", "2026-09-05"),
    ];
    let overlaps = vec![
        ("Europe/Berlin", "30 2 * * *", "2026-10-24"),
        ("Australia/Lord_Howe", "45 1 * * *", "2026-04-04"),
        ("Africa/Cairo", "30 23 * * *", "2026-10-28"),
        ("America/Santiago", "30 23 * * *", "2026-04-04"),
    ];
    let stepped = vec![("Europe/Berlin", "*/20 2 * * *", "2026-03-28")];
    assert_eq!(differ, BTreeMap::from([("rfc5545", gaps), ("croniter", overlaps), ("cronsim", stepped)]));
}

#[test]
fn looking_back_finds_what_looking_ahead_promised() {
    for [zone, expression, from, until, rule, _] in rows() {
        let timetable = Timetable::new(expression, zone).unwrap();
        let all = firings(&timetable, wall(from), wall(until));
        let mut at = all[0];
        while rule == "ours" && at < wall(until) {
            let expected = all.iter().rev().find(|firing| **firing <= at).copied();
            assert_eq!(timetable.last_until(at), expected, "{expression} in {zone} at {at:?}");
            at = WallTime(at.0 + 300_000);
        }
    }
}

/// POSIX.1-2017 (and 2024), utility crontab, "Extended description", from memory: when both days are restricted, either
/// is enough; when one is a star, the other decides.
#[test]
fn either_day_is_enough_when_both_are_restricted() {
    for (expression, expected) in [
        ("0 0 13 * 5", ["2026-11-13", "2026-11-20", "2026-11-27", "2026-12-04"]),
        ("0 0 13 * *", ["2026-11-13", "2026-12-13", "2027-01-13", "2027-02-13"]),
        ("0 0 * * 5", ["2026-11-13", "2026-11-20", "2026-11-27", "2026-12-04"]),
        ("0 0 1,15 * 1", ["2026-11-15", "2026-11-16", "2026-11-23", "2026-11-30"]),
        ("0 0 * * 0", ["2026-11-15", "2026-11-22", "2026-11-29", "2026-12-06"]),
    ] {
        let timetable = Timetable::new(expression, "UTC").unwrap();
        let mut at = wall("2026-11-11T12:00:00Z");
        for day in expected {
            at = timetable.next_after(at).unwrap();
            assert_eq!(at, wall(&format!("{day}T00:00:00Z")), "{expression}");
        }
    }
}

#[test]
fn what_is_no_five_field_expression_in_a_known_zone_is_refused() {
    for (expression, zone, fault) in [
        ("0 22 * *", "UTC", BadTimetable::NotFiveFields),
        ("@daily", "UTC", BadTimetable::NotFiveFields),
        ("0 0 22 * * *", "UTC", BadTimetable::NotFiveFields),
        ("0 22 30 2 *", "UTC", BadTimetable::NeverFires),
        ("0 22 * * *", "Berlin", BadTimetable::UnknownZone),
    ] {
        assert_eq!(Timetable::new(expression, zone), Err(fault), "{expression}");
    }
    for expression in
        ["0 24 * * *", "60 0 * * *", "0 0 L * *", "0 0 * * 5#2", "0 0 ? * *", "0 0 * FOO *", "0 5-- * * *"]
    {
        let refused = Timetable::new(expression, "UTC");
        assert!(matches!(refused, Err(BadTimetable::Expression(_))), "{expression}: {refused:?}");
    }
}

proptest::proptest! {
    #[test]
    fn no_expression_brings_the_parser_down(expression in "[-*/,0-9A-Za-z ]{0,24}", any: String) {
        let _ = Timetable::new(&expression, "Europe/Berlin");
        let _ = Timetable::new(&any, &any);
    }
}
