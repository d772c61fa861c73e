//! Values out of one payload: one, or of a pack of SenML every one of the name.

use serde_json::Value as Json;

use super::number::{of_number, of_text};
use super::rejection::{Rejection, parse_strictly};
use super::senml::{self, SenmlRecord, SenmlValue};
use super::stamp::Stamp;
use idlegate_plan::text::bounded;
use idlegate_plan::{NumberSignal, ValuePath};

/// A meter's message has some hundred bytes; this leaves room for chatty ones, and none for bombs.
pub const PAYLOAD_BYTES_MAX: usize = 64 * 1024;
/// A status or gesture longer than this is none.
const TEXT_CHARS_MAX: usize = 256;

/// A value, and when it was measured as far as its payload says.
#[derive(Clone, Debug, PartialEq)]
pub struct Decoded<T> {
    pub value: T,
    pub stamp: Stamp,
}

impl<T> Decoded<T> {
    /// A value whose payload says nothing else.
    fn bare(value: T) -> Vec<Decoded<T>> {
        vec![Decoded { value, stamp: Stamp::Arrival }]
    }
}

/// The numbers at the path as these rules read them, oldest first and at least one. What is sent is finite, or it is
/// refused; whether it still is by the rules' scale, and plausible, is not looked at. When one of several cannot be
/// read, none is.
pub fn decode_numbers(
    path: &ValuePath,
    rules: &NumberSignal,
    payload: &[u8],
) -> Result<Vec<Decoded<f64>>, Rejection> {
    let text = text_of(payload)?;
    match path {
        // Most meters send this, thousands a second: no JSON.
        ValuePath::Whole => of_text(rules, text, None).map(Decoded::bare),
        ValuePath::JsonPointer(pointer) => {
            let number = match at(&parse_strictly(text)?, pointer)? {
                Json::Number(number) => {
                    let number = number.as_f64().ok_or_else(|| Rejection::NotANumber(number.to_string()))?;
                    of_number(rules, number, None)
                }
                // Some meters put their numbers in quotes.
                Json::String(text) => of_text(rules, text, None),
                Json::Bool(bool) => of_text(rules, word_for(*bool), None),
                Json::Null | Json::Array(_) | Json::Object(_) => Err(Rejection::NotAValue(pointer.clone())),
            };
            number.map(Decoded::bare)
        }
        ValuePath::SenmlName(name) => of_records(text, name, |record| {
            let beside = record.unit.as_deref();
            match &record.value {
                Some(SenmlValue::Number(number)) => of_number(rules, *number, beside),
                Some(SenmlValue::Text(text)) => of_text(rules, text, beside),
                Some(SenmlValue::Bool(bool)) => of_text(rules, word_for(*bool), beside),
                Some(SenmlValue::Data(_)) | None => Err(Rejection::NotAValue(name.clone())),
            }
        }),
    }
}

/// The number at the path as it is sent; of several the newest.
pub fn decode_number(path: &ValuePath, payload: &[u8]) -> Result<f64, Rejection> {
    let newest = decode_numbers(path, &NumberSignal::default(), payload)?.pop();
    newest.map(|decoded| decoded.value).ok_or(Rejection::Empty)
}

/// The texts at the path, oldest first and at least one, without white space around them. Numbers and truth values are
/// texts, too, as JSON writes them: many machines report their status as a number.
pub fn decode_texts(path: &ValuePath, payload: &[u8]) -> Result<Vec<Decoded<String>>, Rejection> {
    let text = text_of(payload)?;
    match path {
        ValuePath::Whole => word_of(text).map(Decoded::bare),
        ValuePath::JsonPointer(pointer) => {
            let word = match at(&parse_strictly(text)?, pointer)? {
                Json::String(text) => word_of(text),
                Json::Number(number) => Ok(number.to_string()),
                Json::Bool(bool) => Ok(bool.to_string()),
                Json::Null | Json::Array(_) | Json::Object(_) => Err(Rejection::NotAValue(pointer.clone())),
            };
            word.map(Decoded::bare)
        }
        ValuePath::SenmlName(name) => of_records(text, name, |record| match &record.value {
            Some(SenmlValue::Text(text)) => word_of(text),
            Some(SenmlValue::Number(number)) => Ok(number.to_string()),
            Some(SenmlValue::Bool(bool)) => Ok(bool.to_string()),
            Some(SenmlValue::Data(_)) | None => Err(Rejection::NotAValue(name.clone())),
        }),
    }
}

/// The value at the path as a word to compare with the rules' words, read as [`decode_texts`] reads it; of several the
/// newest.
pub fn decode_word(path: &ValuePath, payload: &[u8]) -> Result<String, Rejection> {
    let newest = decode_texts(path, payload)?.pop();
    newest.map(|decoded| decoded.value).ok_or(Rejection::Empty)
}

/// A byte order mark is refused rather than skipped: RFC 8259, section 8.1, forbids senders to put one there, and
/// in a bare text it would be part of the word.
fn text_of(payload: &[u8]) -> Result<&str, Rejection> {
    if payload.len() > PAYLOAD_BYTES_MAX {
        return Err(Rejection::TooLong(payload.len()));
    }
    let text = std::str::from_utf8(payload).map_err(|_| Rejection::NotUtf8)?;
    if text.starts_with('\u{feff}') {
        return Err(Rejection::ByteOrderMark);
    }
    if text.trim().is_empty() { Err(Rejection::Empty) } else { Ok(text) }
}

fn word_of(text: &str) -> Result<String, Rejection> {
    let word = text.trim();
    if word.is_empty() {
        return Err(Rejection::Empty);
    }
    if word.chars().nth(TEXT_CHARS_MAX).is_some() {
        return Err(Rejection::ValueTooLong(TEXT_CHARS_MAX));
    }
    Ok(word.to_owned())
}

const fn word_for(bool: bool) -> &'static str {
    if bool { "true" } else { "false" }
}

fn at<'a>(json: &'a Json, pointer: &str) -> Result<&'a Json, Rejection> {
    json.pointer(pointer).ok_or_else(|| absent(json, pointer))
}

/// A member or an item that is not there was not sent; a number or text where an object should be is another message
/// than the rules expect.
fn absent(json: &Json, pointer: &str) -> Rejection {
    let around = pointer.rmatch_indices('/').find_map(|(end, _)| Some((end, json.pointer(&pointer[..end])?)));
    match around {
        Some((end, Json::Null | Json::Bool(_) | Json::Number(_) | Json::String(_))) => {
            Rejection::NotInside { pointer: bounded(pointer), at: bounded(&pointer[..end]) }
        }
        Some((_, Json::Array(_) | Json::Object(_))) | None => Rejection::NothingThere(pointer.to_owned()),
    }
}

/// Every record of that name that has a value, oldest first.
fn of_records<T>(
    text: &str,
    name: &str,
    read: impl Fn(&SenmlRecord) -> Result<T, Rejection>,
) -> Result<Vec<Decoded<T>>, Rejection> {
    let mut records = senml::resolve_in_time_order(text)?;
    records.retain(|record| record.name == name && record.value.is_some());
    // Which of the two kinds is newer cannot be told without a clock, and a sender has no reason to mix them.
    if records.iter().any(SenmlRecord::is_absolute) && !records.iter().all(SenmlRecord::is_absolute) {
        return Err(Rejection::MixedTimes(name.to_owned()));
    }
    if records.is_empty() {
        return Err(Rejection::NothingThere(name.to_owned()));
    }
    records.iter().map(|record| Ok(Decoded { value: read(record)?, stamp: record.stamp() })).collect()
}

#[cfg(test)]
mod tests;
