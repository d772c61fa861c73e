//! Whose draw a number is, and how its meter speaks. A draw is this machine's only if it fell while the outlet was off
//! and came back with it: a number that merely looks like a draw may be another machine's, and would have this one cut
//! while it works.

use super::fields::{FieldPlace, Log, Track, Window};
use super::figures::Figures;
use super::finding::{Meter, Silent, Turn, likeness, meter, silent};
use idlegate_guard::time::{Moment, Span};

/// What a meter shows of an outlet that is off: next to nothing, and far less than an idle machine. A machine that
/// pauses draws more.
fn is_off_beside(off: f64, on: f64) -> bool {
    off.abs() <= (on * 0.05).max(0.5) && off.abs() <= on * 0.25
}

/// So many readings from before it was switched show what there was.
const RECENT: usize = 5;
/// A meter that is seldom silent for longer needs nothing said of its pace.
const BRISK: Span = Span::secs(10);
/// Until then a meter that reports every minute and one that reports changes look alike.
const TOLD_APART_AFTER: Span = Span::secs(150);

/// A draw that was gone while the outlet was off.
#[derive(Clone, Debug, PartialEq)]
pub struct Fallen {
    pub meter: Meter,
    pub on_watts: f64,
    pub off_watts: f64,
    likeness: i32,
}

/// Numbers that may be a draw, and how likely they are. A voltage falls with the outlet, too, and so does a state of 1
/// and 0.
fn draw(place: &FieldPlace, track: &Track) -> Option<(Figures, i32)> {
    let figures = Figures::of(place, track).filter(|_| !track.structured)?;
    let likeness = likeness(place, figures.with_unit);
    let is_flag = figures.iter().any(|it| it == 1.0) && figures.iter().all(|it| it == 0.0 || it == 1.0);
    (likeness >= 0 && !is_flag).then_some((figures, likeness))
}

/// What fell each time the outlet went off, and only that; those first that are most likely watts.
pub fn fallen(log: &Log, turns: &[Turn]) -> Vec<Fallen> {
    let found = log.tracks().filter_map(|(place, track)| {
        let (figures, likeness) = draw(place, track)?;
        let ends = |on: bool| {
            let turns = turns.iter().filter(move |turn| turn.on == on);
            turns.filter_map(|turn| last_during(track, &figures, turn.window))
        };
        let least_on = ends(true).reduce(f64::min)?;
        let most_off = ends(false).map(f64::abs).reduce(f64::max)?;
        if least_on <= 0.0 || !is_off_beside(most_off, least_on) {
            return None;
        }
        let meter = meter(place, figures);
        let (on_watts, off_watts) = (least_on * meter.scale, most_off * meter.scale);
        Some(Fallen { meter, on_watts, off_watts, likeness })
    });
    let mut found: Vec<_> = found.collect();
    found.sort_by(|one, other| {
        let by_place = || one.meter.place.cmp(&other.meter.place);
        other.likeness.cmp(&one.likeness).then_with(by_place)
    });
    found
}

/// Whether the first of them is the one, as far as can be told.
pub fn stands_out(fallen: &[Fallen]) -> bool {
    match fallen {
        [] => false,
        [_] => true,
        [first, second, ..] => first.likeness > second.likeness,
    }
}

/// Whether some draw is already gone that was there before this moment. One of which nothing was known counts if it
/// says nothing: what it draws otherwise is seen when the outlet is on again.
pub fn fell_since(log: &Log, from: Moment) -> bool {
    moved(log, from, |before, now| match before.iter().copied().reduce(f64::max) {
        Some(most) => most > 0.0 && is_off_beside(now, most),
        None => now == 0.0,
    })
}

/// Whether something that showed next to nothing draws power since this moment.
pub fn rose_since(log: &Log, from: Moment) -> bool {
    moved(log, from, |before, now| now > 0.0 && before.iter().any(|before| is_off_beside(*before, now)))
}

fn moved(log: &Log, from: Moment, so: impl Fn(&[f64], f64) -> bool) -> bool {
    log.tracks().any(|(place, track)| {
        let newest = track.seen.back().filter(|seen| seen.live && seen.at >= from);
        let Some(((figures, _), newest)) = draw(place, track).zip(newest) else { return false };
        // Whoever switches may be quicker than the meter, so what came since then counts as well.
        let since = track.seen.iter().rev().take_while(|seen| seen.at >= from).count();
        let before = track.seen.iter().rev().skip(1).take(since + RECENT);
        let before: Vec<f64> = before.filter_map(|seen| figures.at(track, seen.at)).collect();
        figures.at(track, newest.at).is_some_and(|now| so(&before, now))
    })
}

/// How many numbers came since then, wherever they stand.
pub fn numbers_since(log: &Log, from: Moment) -> usize {
    let window = Window { from, until: Moment(u64::MAX) };
    let tracks = log.tracks().filter(|(_, track)| !track.structured);
    let numbers = tracks.filter(|(place, track)| Figures::of(place, track).is_some());
    numbers.map(|(_, track)| track.during(window).count()).sum()
}

fn last_during(track: &Track, figures: &Figures, window: Window) -> Option<f64> {
    let seen = track.during(window).filter(|seen| seen.live).last()?;
    figures.at(track, seen.at)
}

/// How a meter speaks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Manner {
    /// Steadily, with pauses no longer than this.
    Steadily(Span),
    /// Only when its value changes, it seems.
    OnChange(Silent),
    /// Too little has come to tell.
    Unclear,
}

/// How the meter at this place has spoken until now. `impatient`: somebody does not want to wait until the two are told
/// apart for certain.
pub fn manner(log: &Log, place: &FieldPlace, now: Moment, impatient: bool) -> Manner {
    let track = log.tracks().find(|(at, _)| *at == place).map(|(_, track)| track);
    let Some((track, figures)) = track.and_then(|track| Some((track, Figures::of(place, track)?))) else {
        return Manner::Unclear;
    };
    let live: Vec<_> = track.seen.iter().filter(|seen| seen.live).collect();
    let Some(last) = live.last() else { return Manner::Unclear };
    // What a hand brought about, by switching, shows no pace.
    let unmoved = live.windows(2).filter(|pair| {
        let numbers = figures.at(track, pair[0].at).zip(figures.at(track, pair[1].at));
        numbers.is_some_and(|(a, b)| a == b || !is_off_beside(a, b) && !is_off_beside(b, a))
    });
    let pauses: Vec<Span> = unmoved.map(|pair| pair[1].at.since(pair[0].at)).collect();
    let longest = pauses.iter().copied().max().unwrap_or(Span::ZERO);
    let silence = now.since(last.at);
    if silence <= Span(longest.0.saturating_mul(3) / 2).max(BRISK) {
        // A slow one is known by its longest pauses: they are alike.
        let alike = pauses.iter().filter(|pause| pause.0.saturating_mul(5) >= longest.0.saturating_mul(4));
        let known = if longest <= BRISK { pauses.len() >= 3 } else { alike.count() >= 2 };
        if known {
            return Manner::Steadily(longest);
        }
    }
    match silent(log, place, now).filter(|_| impatient || silence >= TOLD_APART_AFTER) {
        Some(silent) => Manner::OnChange(silent),
        None => Manner::Unclear,
    }
}

/// For how long a meter with such pauses may say nothing before its readings count as missing: two of them may be lost.
/// Nothing where the guard's own measure will do.
pub fn stale_after(pause: Span) -> Option<Span> {
    const USUAL: Span = Span::secs(30);
    let wanted = Span::secs(pause.millis().saturating_mul(3).div_ceil(10_000) * 10);
    (wanted > USUAL).then_some(wanted)
}

#[cfg(test)]
mod tests {
    use super::super::tests::message;
    use super::*;

    fn turn(on: bool, from: u64, until: u64) -> Turn {
        Turn { on, window: Window { from: Moment(from * 1_000), until: Moment(until * 1_000) } }
    }

    fn heard(said: &[(u64, &str, &str)]) -> Log {
        let mut log = Log::default();
        for (second, topic, payload) in said {
            log.take(Moment(second * 1_000), &message(topic, payload, false));
        }
        log
    }

    #[test]
    fn a_draw_that_did_not_fall_is_another_machines_however_much_its_name_promises() {
        let mut said = Vec::new();
        for second in 0..30 {
            let on = !(10..20).contains(&second);
            said.push((second, "printer/power", if second % 2 == 0 { "8.1" } else { "7.9" }));
            said.push((second, "bench/3", if on { "62" } else { "0.4" }));
            said.push((second, "bench/3/voltage", if on { "231" } else { "0" }));
        }
        let turns = [turn(true, 0, 9), turn(false, 10, 19), turn(true, 20, 29)];
        let found = fallen(&heard(&said), &turns);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].meter.place, FieldPlace::whole("bench/3"));
        assert_eq!((found[0].on_watts, found[0].off_watts), (62.0, 0.4));
        assert!(stands_out(&found));
    }

    #[test]
    fn two_that_fell_alike_are_for_the_person_to_tell_apart() {
        let said = [
            (1, "a/power", "62"),
            (1, "b/power", "61"),
            (12, "a/power", "0"),
            (12, "b/power", "0"),
            (22, "a/power", "62"),
            (22, "b/power", "61"),
        ];
        let turns = [turn(true, 0, 9), turn(false, 10, 19), turn(true, 20, 29)];
        let found = fallen(&heard(&said), &turns);
        assert!(found.len() == 2 && !stands_out(&found), "{found:?}");
    }

    #[test]
    fn a_meter_that_is_slow_is_waited_for() {
        let log = heard(&[(10, "mill/power", "62"), (70, "mill/power", "62")]);
        assert!(!fell_since(&log, Moment(80_000)), "nothing has come since the outlet went off");
        let log = heard(&[(10, "mill/power", "62"), (130, "mill/power", "0"), (130, "kiln/power", "2000")]);
        assert!(fell_since(&log, Moment(80_000)));
        assert!(!rose_since(&log, Moment(140_000)));
        let log = heard(&[(130, "mill/power", "0"), (190, "mill/power", "61")]);
        assert!(rose_since(&log, Moment(140_000)));
    }

    #[test]
    fn every_second_every_minute_and_on_change_are_told_apart() {
        let place = FieldPlace::whole("mill/power");
        let told = |said: &[(u64, &str)], now: u64, impatient: bool| {
            let mut all: Vec<_> =
                said.iter().map(|(second, watts)| (*second, "mill/power", *watts)).collect();
            all.extend((0..now).step_by(10).map(|second| (second, "mill/uptime", "1")));
            all.sort_unstable();
            manner(&heard(&all), &place, Moment(now * 1_000), impatient)
        };
        let every_second = [(1, "62"), (2, "62"), (3, "63"), (4, "62")];
        assert_eq!(told(&every_second, 5, false), Manner::Steadily(Span::secs(1)));
        let every_minute = [(3, "62.1"), (63, "62.4"), (71, "0"), (123, "62.2"), (183, "62.3")];
        assert_eq!(told(&every_minute, 190, false), Manner::Steadily(Span::secs(60)));
        assert_eq!(told(&every_minute[..4], 160, false), Manner::Unclear);
        // Somebody with a quick hand.
        let on_change = [(3, "62.1"), (10, "0"), (18, "62.4"), (24, "0"), (32, "62.1")];
        assert_eq!(told(&on_change, 33, false), Manner::Unclear);
        assert_eq!(told(&on_change, 70, false), Manner::Unclear, "it may be slow");
        assert!(matches!(told(&on_change, 70, true), Manner::OnChange(_)));
        assert!(matches!(told(&on_change, 190, false), Manner::OnChange(_)));
        assert_eq!(told(&[], 160, true), Manner::Unclear);
        assert_eq!(stale_after(Span::secs(60)), Some(Span::secs(180)));
        assert_eq!(stale_after(Span::secs(9)), None);
    }
}
