//! The wall clock is stepped by a day or by an hour, is not set yet, or nobody watched it for a while.

use jiff::Timestamp;

use crate::schedules::{Timetable, Watch};
use idlegate_guard::time::{Moment, Now, Span, WallTime};

const MINUTE: i64 = 60_000;
const DAY: i64 = 86_400_000;

/// A schedule at 22:00 UTC, and clocks that can be set.
struct Evening {
    watch: Watch,
    now: Now,
    fired: Vec<String>,
}

fn wall(text: &str) -> WallTime {
    WallTime(text.parse::<Timestamp>().unwrap().as_millisecond())
}

impl Evening {
    fn at(time: &str, make_up_missed: bool) -> Evening {
        let watch = Watch::new(Timetable::new("0 22 * * *", "UTC").unwrap(), make_up_missed);
        let now = Now { moment: Moment(1_000_000), wall: wall(time) };
        Evening { watch, now, fired: Vec::new() }
    }

    /// Looks whenever a look is asked for, for this long.
    fn pass(mut self, minutes: u64) -> Evening {
        let end = self.now.moment + Span::secs(minutes * 60);
        while self.now.moment < end {
            self = self.look();
            let wait = self.watch.next_look(self.now);
            assert!(wait > Span::ZERO && wait <= Span::secs(30), "{wait}");
            self.now.moment = self.now.moment + wait;
            self.now.wall.0 += i64::try_from(wait.0).unwrap();
        }
        self
    }

    fn look(mut self) -> Evening {
        if let Some(instant) = self.watch.due(self.now) {
            self.fired.push(Timestamp::from_millisecond(instant.0).unwrap().to_string());
        }
        self
    }

    fn step(mut self, millis: i64) -> Evening {
        self.now.wall.0 += millis;
        self
    }

    fn sleep(mut self, minutes: u64) -> Evening {
        self.now.moment = self.now.moment + Span::secs(minutes * 60);
        self.now.wall.0 += i64::try_from(minutes).unwrap() * MINUTE;
        self
    }

    fn fires(&self, expected: &[&str]) {
        assert_eq!(self.fired, expected);
    }
}

const FIRST: &str = "2026-11-24T22:00:00Z";
const SECOND: &str = "2026-11-25T22:00:00Z";

#[test]
fn a_schedule_fires_once_at_its_time_every_day() {
    Evening::at("2026-11-24T21:50:00Z", false).pass(2 * 24 * 60 - 60).fires(&[FIRST, SECOND]);
}

#[test]
fn a_start_after_the_time_fires_nothing() {
    Evening::at("2026-11-24T22:00:01Z", false).pass(60).fires(&[]);
    Evening::at("2026-11-24T22:00:01Z", true).pass(60).fires(&[]);
}

#[test]
fn a_clock_set_forward_a_day_fires_nothing_unless_told_to_make_up_missed() {
    Evening::at("2026-11-24T12:00:00Z", false).pass(10).step(DAY).pass(60).fires(&[]);
    Evening::at("2026-11-23T12:00:00Z", true).pass(10).step(2 * DAY).pass(60).fires(&[FIRST]);
}

#[test]
fn a_clock_set_back_a_day_repeats_nothing() {
    let evening = Evening::at("2026-11-24T21:50:00Z", false).pass(60).step(-DAY / 24).pass(60);
    evening.fires(&[FIRST]);
    evening.step(-DAY).pass(24 * 60).fires(&[FIRST]);
    Evening::at("2026-11-24T21:50:00Z", true).pass(60).step(-DAY / 24).pass(60).fires(&[FIRST]);
}

#[test]
fn a_small_correction_of_the_clock_loses_nothing() {
    Evening::at("2026-11-24T21:58:00Z", false).pass(1).step(90_000).pass(5).fires(&[FIRST]);
    Evening::at("2026-11-24T21:58:00Z", false).pass(3).step(-90_000).pass(5).fires(&[FIRST]);
}

#[test]
fn a_suspended_computer_does_not_make_up_for_the_evening() {
    Evening::at("2026-11-24T21:50:00Z", false).pass(1).sleep(30).pass(60).fires(&[]);
    Evening::at("2026-11-24T21:50:00Z", true).pass(1).sleep(30).pass(60).fires(&[FIRST]);
}

#[test]
fn a_clock_that_was_never_set_fires_nothing_and_is_awaited() {
    let evening = Evening::at("1970-01-01T21:59:00Z", false).pass(10);
    evening.fires(&[]);
    let set = wall("2026-11-24T21:59:30Z").0 - evening.now.wall.0;
    evening.step(set).pass(10).fires(&[FIRST]);
}

#[test]
fn a_firing_of_a_former_run_is_not_repeated_and_is_the_start_of_catching_up() {
    for (make_up_missed, expected) in [(false, &[][..]), (true, &[SECOND][..])] {
        let mut evening = Evening::at("2026-11-26T08:00:00Z", make_up_missed);
        evening.watch.recall(wall(FIRST));
        evening.pass(60).fires(expected);
        // The journal could be read only later.
        let mut evening = Evening::at("2026-11-26T08:00:00Z", make_up_missed).pass(1);
        evening.watch.recall(wall(FIRST));
        evening.pass(60).fires(expected);
        let mut evening = Evening::at("2026-11-24T21:59:59Z", make_up_missed);
        evening.watch.recall(wall(FIRST));
        evening.pass(60).fires(&[]);
    }
}
