//! From what changed while a person switched, drew and pressed, to where it is found. Only guesses, best first: the person
//! chooses, and can say something else.

use std::collections::BTreeSet;

use super::fields::{Log, Place, Track, Window};
use crate::time::{Moment, Span};

/// Somebody switched the outlet by hand in this stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Turn {
    pub on: bool,
    pub window: Window,
}

/// A place that told each time what the outlet was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct State {
    pub place: Place,
    pub on: String,
    pub off: String,
}

/// A topic on which somebody told the outlet what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    pub topic: String,
    pub on: String,
    pub off: String,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Meter {
    pub place: Place,
    /// In watts.
    pub latest: f64,
    /// Watts are the value times this.
    pub scale: f64,
}

/// The words a button sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Button {
    pub place: Place,
    pub press: Vec<String>,
    pub long_press: Vec<String>,
}

/// Places whose value was the same after every turn on, the same after every turn off, and another one.
pub fn states(log: &Log, turns: &[Turn]) -> Vec<State> {
    let found = log.tracks().filter(|(_, track)| !track.structured).filter_map(|(place, track)| {
        let on = end_value(track, turns, true)?;
        let off = end_value(track, turns, false)?;
        let changed = turns.iter().filter(|turn| track.during(turn.window).next().is_some()).count();
        // The first turn may find it so already.
        if on == off || changed + 1 < turns.len() {
            return None;
        }
        let values: BTreeSet<&str> = track.seen.iter().map(|seen| seen.value.as_str()).collect();
        let last = turns.last().and_then(|turn| track.during(turn.window).next()).map(|seen| seen.at);
        let stored = track.seen.iter().any(|seen| seen.retained);
        let state = State { place: place.clone(), on: on.to_owned(), off: off.to_owned() };
        // A draw may be as steady as a state; a state is seldom a number.
        let is_draw = |value: &str| value.parse::<f64>().is_ok_and(|number| number != 0.0 && number != 1.0);
        let draw = is_draw(&state.on) || is_draw(&state.off);
        // A state has two values, is often kept by the broker, and follows the order.
        Some(((draw, values.len(), !stored, std::cmp::Reverse(last)), state))
    });
    let mut found: Vec<_> = found.collect();
    found.sort_by_key(|(rank, _)| *rank);
    let states = found.iter().filter(|((draw, ..), _)| !draw).count();
    let kept = if states > 0 { states } else { found.len() };
    found.into_iter().take(kept).map(|(_, state)| state).collect()
}

fn end_value<'t>(track: &'t Track, turns: &[Turn], on: bool) -> Option<&'t str> {
    let mut ends = turns.iter().filter(|turn| turn.on == on).map(|turn| track.at(turn.window.until));
    let first = ends.next()??;
    ends.all(|end| end.is_some_and(|end| end.value == first.value)).then_some(&first.value)
}

/// Topics with a message of their own before each change of the state, the same for on and the same for off. None if the
/// outlet was switched past the broker, as with its own button.
pub fn orders(log: &Log, turns: &[Turn], state: &Place) -> Vec<Order> {
    let Some((_, state_track)) = log.tracks().find(|(place, _)| *place == state) else { return Vec::new() };
    let is_whole = |place: &Place| place.pointer.is_none() && place.senml.is_none();
    let others = log.tracks().filter(|(place, _)| is_whole(place) && place.topic != state.topic);
    let found = others.filter_map(|(place, track)| {
        let mut words = [BTreeSet::new(), BTreeSet::new()];
        for turn in turns {
            let Some(changed) = changed_at(state_track, *turn) else { continue };
            let window = Window { from: turn.window.from, until: changed + Span(1) };
            words[usize::from(turn.on)].insert(track.during(window).last()?.value.as_str());
        }
        let [off, on] =
            words.map(|words| (words.len() == 1).then(|| words.first().map(|word| (*word).to_owned())));
        let (on, off) = (on??, off??);
        (on != off).then(|| (track.seen.len(), Order { topic: place.topic.clone(), on, off }))
    });
    let mut found: Vec<_> = found.collect();
    // Orders are rare.
    found.sort_by_key(|(count, _)| *count);
    found.into_iter().map(|(_, order)| order).collect()
}

/// When it became what it was at the end of the turn, if it was another before.
fn changed_at(state: &Track, turn: Turn) -> Option<Moment> {
    let end = &state.at(turn.window.until)?.value;
    let seen: Vec<_> = state.during(turn.window).collect();
    let since = seen.iter().rposition(|seen| seen.value != *end).map_or(0, |other| other + 1);
    let before = state.seen.iter().rev().find(|seen| seen.at < turn.window.from);
    let was_so = since == 0 && before.is_some_and(|before| before.value == *end);
    seen.get(since).filter(|_| !was_so).map(|seen| seen.at)
}

/// Places with numbers, those first that are most likely the outlet's draw.
pub fn meters(log: &Log, turns: &[Turn]) -> Vec<Meter> {
    let found = log.tracks().filter(|(_, track)| !track.structured).filter_map(|(place, track)| {
        let numbers: Vec<f64> = track.seen.iter().filter_map(|seen| seen.value.parse().ok()).collect();
        if numbers.is_empty() || numbers.len() < track.seen.len() || !numbers.iter().all(|it| it.is_finite())
        {
            return None;
        }
        let unit = track.unit.as_deref();
        let scale =
            if unit == Some("kW") || place.last_word().eq_ignore_ascii_case("kw") { 1_000.0 } else { 1.0 };
        let latest = numbers.last()? * scale;
        let likeness = likeness(place, unit) + conduct(track, turns, &numbers);
        Some((likeness, Meter { place: place.clone(), latest, scale }))
    });
    let mut found: Vec<_> = found.filter(|(likeness, _)| *likeness > 0).collect();
    found.sort_by(|(a, one), (b, other)| b.cmp(a).then_with(|| one.place.cmp(&other.place)));
    found.into_iter().map(|(_, meter)| meter).collect()
}

/// By its name and unit.
fn likeness(place: &Place, unit: Option<&str>) -> i32 {
    const POWER: [&str; 6] = ["power", "watt", "watts", "w", "kw", "draw"];
    const OTHER: [&str; 12] = [
        "energy",
        "joule",
        "joules",
        "kwh",
        "wh",
        "volt",
        "volts",
        "voltage",
        "current",
        "temperature",
        "signal",
        "uptime",
    ];
    let word = place.last_word().to_lowercase();
    match unit {
        Some("W" | "kW") => return 5,
        Some(_) => return -5,
        None => {}
    }
    if POWER.contains(&word.as_str()) {
        4
    } else if OTHER.contains(&word.as_str()) {
        -5
    } else if place.topic.split('/').any(|level| matches!(level, "power" | "meter" | "meters" | "energy")) {
        2
    } else {
        0
    }
}

/// By what it does: a draw falls when the outlet is off, and a counter only ever rises.
fn conduct(track: &Track, turns: &[Turn], numbers: &[f64]) -> i32 {
    let highest = |on: bool| {
        let ends = turns.iter().filter(|turn| turn.on == on);
        let ends = ends.filter_map(|turn| track.at(turn.window.until)?.value.parse::<f64>().ok());
        ends.fold(f64::NEG_INFINITY, f64::max)
    };
    let falls = i32::from(highest(false) < highest(true)) * 3;
    let rises_only = numbers.len() > 3 && numbers.is_sorted() && numbers.first() < numbers.last();
    falls - i32::from(rises_only) * 4
}

/// Places where something came when the button was pressed and when it was held, and that said nothing of the kind before.
pub fn buttons(log: &Log, before: Window, press: Window, long_press: Window) -> Vec<Button> {
    let found = log.tracks().filter(|(_, track)| !track.structured).filter_map(|(place, track)| {
        let heard = |window: Window| {
            let mut words: Vec<&str> = Vec::new();
            // One that is kept is no gesture: the guard would not obey it either.
            for seen in track.during(window).filter(|seen| !seen.retained) {
                if !words.contains(&seen.value.as_str()) {
                    words.push(&seen.value);
                }
            }
            words
        };
        let (usual, pressed, held) = (heard(before), heard(press), heard(long_press));
        let is_new = |word: &&&str| !usual.contains(*word);
        let own = |words: &[&str], others: &[&str]| -> Vec<String> {
            let new: Vec<&&str> = words.iter().filter(is_new).collect();
            let only: Vec<String> =
                new.iter().filter(|word| !others.contains(*word)).map(|word| (**word).to_owned()).collect();
            // A button that reports going down and coming up does so both times.
            if only.is_empty() {
                new.first().map(|word| (**word).to_owned()).into_iter().collect()
            } else {
                only
            }
        };
        let (press_words, mut long_words) = (own(&pressed, &held), own(&held, &pressed));
        long_words.retain(|word| !press_words.contains(word));
        if press_words.is_empty() && long_words.is_empty() {
            return None;
        }
        let button = Button { place: place.clone(), press: press_words, long_press: long_words };
        let count = track.during(press).count() + track.during(long_press).count();
        // One that tells a press from a long press is worth most; then one that speaks only when it is touched.
        let complete = !button.press.is_empty() && !button.long_press.is_empty();
        Some(((!complete, usual.len(), count), button))
    });
    let mut found: Vec<_> = found.collect();
    found.sort_by(|(a, one), (b, other)| a.cmp(b).then_with(|| one.place.cmp(&other.place)));
    found.into_iter().map(|(_, button)| button).collect()
}
