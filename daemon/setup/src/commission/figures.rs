//! What was seen at a place, as numbers: read by the guard's own reader, and with what it needs to be told for that.

use super::fields::{FieldPlace, Track};
use idlegate_engine::intake::{self, Rejection};
use idlegate_guard::time::Moment;
use idlegate_plan::{Decimal, NumberSignal, ValuePath};

/// A meter with more words than this sends a status.
const WORDS_MAX: usize = 4;

/// A place that tells numbers of watts, or might.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Figures {
    /// Of everything that was seen; nothing for a word.
    numbers: Vec<Option<f64>>,
    /// Its unit comes with them, so they are watts already.
    pub(super) with_unit: bool,
    /// They can be read only if their comma is a decimal comma.
    pub(super) comma: bool,
    /// What it says besides.
    pub(super) words: Vec<String>,
}

impl Figures {
    pub(super) fn of(place: &FieldPlace, track: &Track) -> Option<Figures> {
        let as_written = read(track, Decimal::Point);
        // SenML has numbers of its own, and its texts always have a point.
        let with_comma = || read(track, Decimal::Comma).filter(|_| place.senml.is_none());
        let found = as_written.or_else(|| Some(Figures { comma: true, ..with_comma()? }))?;
        (found.words.len() <= WORDS_MAX && found.numbers.iter().any(Option::is_some)).then_some(found)
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = f64> + '_ {
        self.numbers.iter().flatten().copied()
    }

    /// What it was at a moment.
    pub(super) fn at(&self, track: &Track, moment: Moment) -> Option<f64> {
        let index = track.seen.iter().rposition(|seen| seen.at <= moment)?;
        self.numbers.get(index).copied().flatten()
    }
}

fn read(track: &Track, decimal: Decimal) -> Option<Figures> {
    let rules = NumberSignal { unit: "W".to_owned(), decimal, ..NumberSignal::default() };
    let beside = track.unit.as_deref().unwrap_or_default();
    let mut figures =
        Figures { numbers: Vec::new(), with_unit: !beside.is_empty(), comma: false, words: Vec::new() };
    for seen in &track.seen {
        let text = if seen.value.ends_with(|char: char| char.is_ascii_digit()) {
            format!("{} {beside}", seen.value)
        } else {
            seen.value.clone()
        };
        match intake::decode_numbers(&ValuePath::Whole, &rules, text.as_bytes()) {
            Ok(read) => {
                figures.with_unit |= text.trim_end().ends_with(|char: char| char.is_alphabetic());
                figures.numbers.push(read.first().map(|decoded| decoded.value));
            }
            // Anything with a digit may be a number in a form that nobody has thought of.
            Err(Rejection::NotANumber(_)) if !seen.value.contains(|char: char| char.is_ascii_digit()) => {
                figures.numbers.push(None);
                if !figures.words.contains(&seen.value) {
                    figures.words.push(seen.value.clone());
                }
            }
            Err(_) => return None,
        }
    }
    Some(figures)
}
