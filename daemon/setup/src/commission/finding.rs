//! From what changed while a person switched, drew and pressed, to where it is found. Only guesses, best first: the
//! person chooses, and can say something else.

use std::collections::{BTreeMap, BTreeSet};

use super::fields::{FieldPlace, Log, Seen, Track, Window};
use super::figures::Figures;
use crate::checkup::{Rhythm, same_device};
use idlegate_engine::intake;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Value;

/// Somebody switched the outlet by hand in this stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Turn {
    pub on: bool,
    pub window: Window,
}

/// A place that told each time what the outlet was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct State {
    pub place: FieldPlace,
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
    pub place: FieldPlace,
    /// In watts.
    pub latest: f64,
    /// Watts are the value times this.
    pub scale: f64,
    /// Its unit comes with each value.
    pub with_unit: bool,
    /// It can be read only if the comma in its values is a decimal comma, and nobody but a person can tell.
    pub comma: bool,
    /// What it says besides numbers.
    pub words: Vec<String>,
}

/// A meter that seems to speak only when its value changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Silent {
    pub readings: usize,
    pub silence: Span,
    /// Topics that may be of the same device and went on meanwhile, and how long each may be silent.
    pub signs: Vec<(String, Span)>,
}

/// Longer than this a meter that speaks steadily is seldom silent; by the rules its readings then count as missing.
const SILENCE: Span = Span::secs(30);

/// Whether the values at this place came only when they differed, with long silences during which other topics of the
/// same device went on.
pub(super) fn silent(log: &Log, place: &FieldPlace, now: Moment) -> Option<Silent> {
    let mut pace = Rhythm::default();
    for seen in log.seen(place).filter(|seen| seen.live) {
        pace.take(seen.at, Some(Value::Text(seen.value.as_str().into())));
    }
    let silence = pace.silence(now).filter(|_| pace.may_be_on_change(now, SILENCE))?;
    let mut others: BTreeMap<&str, BTreeSet<Moment>> = BTreeMap::new();
    for (other, track) in log.tracks().filter(|(other, _)| other.topic != place.topic) {
        let live = track.seen.iter().filter(|seen| !seen.retained).map(|seen| seen.at);
        others.entry(&other.topic).or_default().extend(live);
    }
    let of_device = others.into_iter().filter(|(topic, _)| same_device(&place.topic, topic, 1));
    let mut signs: Vec<_> = of_device
        .filter_map(|(topic, times)| {
            let mut pace = Rhythm::default();
            times.into_iter().for_each(|at| pace.take(at, None));
            pace.went_on(now, silence).then(|| (topic.to_owned(), pace.silent_max()))
        })
        .collect();
    signs.sort_by_key(|(_, silent_max)| *silent_max);
    (!signs.is_empty()).then_some(Silent { readings: pace.live, silence: silence.1, signs })
}

/// The words a button sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Button {
    pub place: FieldPlace,
    pub press: Vec<String>,
    pub long_press: Vec<String>,
    /// They came live with the retain flag.
    pub flagged: bool,
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
        let is_flag = |value: &str| value.parse::<f64>().is_ok_and(|number| number == 0.0 || number == 1.0);
        let is_draw = |value: &str| intake::reads_as_number(value) && !is_flag(value);
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
    let ends = turns.iter().filter(|turn| turn.on == on).map(|turn| track.at(turn.window.until));
    // One that was on before anybody listened, and does not have its state stored, tells nothing of it at first.
    let untold =
        usize::from(on && ends.clone().count() > 1 && ends.clone().next().is_some_and(|end| end.is_none()));
    let mut ends = ends.skip(untold);
    let first = ends.next()??;
    ends.all(|end| end.is_some_and(|end| end.value == first.value)).then_some(&first.value)
}

/// Topics with a message of their own before each change of the state, the same for on and the same for off. None if
/// the outlet was switched past the broker, as with its own button.
pub fn orders(log: &Log, turns: &[Turn], state: &FieldPlace) -> Vec<Order> {
    let Some((_, state_track)) = log.tracks().find(|(place, _)| *place == state) else { return Vec::new() };
    let is_whole = |place: &FieldPlace| place.pointer.is_none() && place.senml.is_none();
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
        // A meter that speaks only of changes says something at each of them, too.
        let draw = [&on, &off].into_iter().any(|it| intake::reads_as_number(it) && it != "0" && it != "1");
        (on != off).then(|| ((draw, track.seen.len()), Order { topic: place.topic.clone(), on, off }))
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
    // Of one that nobody had heard before, nobody knows whether it changed.
    let was_so = since == 0 && before.is_none_or(|before| before.value == *end);
    seen.get(since).filter(|_| !was_so).map(|seen| seen.at)
}

/// Places with numbers, those first that are most likely the outlet's draw.
pub fn meters(log: &Log, turns: &[Turn]) -> Vec<Meter> {
    let found = log.tracks().filter(|(_, track)| !track.structured).filter_map(|(place, track)| {
        let figures = Figures::of(place, track)?;
        let likeness = likeness(place, figures.with_unit) + conduct(track, turns, &figures);
        Some((likeness, meter(place, figures)))
    });
    let mut found: Vec<_> = found.filter(|(likeness, _)| *likeness > 0).collect();
    found.sort_by(|(a, one), (b, other)| b.cmp(a).then_with(|| one.place.cmp(&other.place)));
    found.into_iter().map(|(_, meter)| meter).collect()
}

/// The numbers at one place, whatever they look like.
pub fn meter_at(log: &Log, place: &FieldPlace) -> Option<Meter> {
    let (_, track) = log.tracks().find(|(at, _)| *at == place)?;
    Some(meter(place, Figures::of(place, track)?))
}

pub(super) fn meter(place: &FieldPlace, figures: Figures) -> Meter {
    let in_kw = !figures.with_unit && place.last_word().eq_ignore_ascii_case("kw");
    let scale = if in_kw { 1_000.0 } else { 1.0 };
    let latest = figures.iter().last().unwrap_or_default() * scale;
    let Figures { with_unit, comma, words, .. } = figures;
    Meter { place: place.clone(), latest, scale, with_unit, comma, words }
}

impl Meter {
    /// One of which nothing has come.
    pub fn unheard(place: FieldPlace) -> Meter {
        Meter { place, latest: 0.0, scale: 1.0, with_unit: false, comma: false, words: Vec::new() }
    }
}

/// By its name, and whether watts come with a unit.
pub(super) fn likeness(place: &FieldPlace, in_watts: bool) -> i32 {
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
    if in_watts {
        5
    } else if POWER.contains(&word.as_str()) {
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
fn conduct(track: &Track, turns: &[Turn], figures: &Figures) -> i32 {
    let highest = |on: bool| {
        let ends = turns.iter().filter(|turn| turn.on == on);
        let ends = ends.filter_map(|turn| figures.at(track, turn.window.until));
        ends.fold(f64::NEG_INFINITY, f64::max)
    };
    let falls = i32::from(highest(false) < highest(true)) * 3;
    let numbers: Vec<f64> = figures.iter().collect();
    let rises_only = numbers.len() > 3 && numbers.is_sorted() && numbers.first() < numbers.last();
    falls - i32::from(rises_only) * 4
}

/// Places where something came when the button was pressed and when it was held, and that said nothing of the kind
/// before.
pub fn buttons(log: &Log, before: Window, press: Window, long_press: Window) -> Vec<Button> {
    let found = log.tracks().filter(|(_, track)| !track.structured).filter_map(|(place, track)| {
        let heard = |window: Window| {
            let mut words: Vec<&str> = Vec::new();
            // One from the store is no gesture: the guard would not obey it either.
            for seen in track.during(window).filter(|seen| seen.live) {
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
        let mut heard = track.during(press).chain(track.during(long_press));
        let flagged = heard.any(Seen::flagged);
        let button = Button { place: place.clone(), press: press_words, long_press: long_words, flagged };
        let complete = !button.press.is_empty() && !button.long_press.is_empty();
        // A number that is another one each time counts the presses.
        let counts = button.press.iter().chain(&button.long_press).all(|word| is_count(word));
        let first = track.during(press).chain(track.during(long_press)).map(|seen| seen.at).min();
        // A button is silent until it is touched, tells a press from a long press, says one thing for each, and says it
        // before anything else reacts to it.
        let messages = |window| track.during(window).filter(|seen| seen.live).count();
        let chatter = messages(press).abs_diff(1) + messages(long_press).abs_diff(1);
        Some(((messages(before) > 0, counts, !complete, chatter, first), button))
    });
    let mut found: Vec<_> = found.collect();
    found.sort_by(|(a, one), (b, other)| a.cmp(b).then_with(|| one.place.cmp(&other.place)));
    found.into_iter().map(|(_, button)| button).collect()
}

fn is_count(word: &str) -> bool {
    word.parse::<f64>().is_ok_and(|number| number > 9.0)
}
