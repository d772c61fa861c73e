//! One value out of one payload.

use std::borrow::Cow;

use serde_json::Value as Json;

use super::rejection::{Rejection, bounded};
use super::senml::{self, SenmlValue};
use crate::plan::ValuePath;

/// A meter's message has some hundred bytes; this leaves room for chatty ones, and none for bombs.
pub(super) const PAYLOAD_BYTES_MAX: usize = 64 * 1024;
/// A status or gesture longer than this is none.
const TEXT_CHARS_MAX: usize = 256;

/// The number at the path. Never NaN, never infinite.
pub fn decode_number(path: &ValuePath, payload: &[u8]) -> Result<f64, Rejection> {
    let text = text_of(payload)?;
    match path {
        ValuePath::Whole => number_of(text.trim()),
        ValuePath::JsonPointer(pointer) => match at(&json_of(text)?, pointer)? {
            Json::Number(number) => finite(number.as_f64(), &number.to_string()),
            // Some meters put their numbers in quotes.
            Json::String(text) => number_of(text.trim()),
            Json::Bool(bool) => Err(Rejection::NotANumber(bool.to_string())),
            Json::Null | Json::Array(_) | Json::Object(_) => Err(Rejection::NotAValue(pointer.clone())),
        },
        ValuePath::SenmlName(name) => match senml_value(text, name)? {
            SenmlValue::Number(number) => finite(Some(number), &number.to_string()),
            SenmlValue::Text(text) => Err(Rejection::NotANumber(bounded(&text))),
            SenmlValue::Bool(bool) => Err(Rejection::NotANumber(bool.to_string())),
        },
    }
}

/// The text at the path, without white space around it.
pub fn decode_text(path: &ValuePath, payload: &[u8]) -> Result<String, Rejection> {
    decode_word(path, payload)
}

/// The value at the path as a word to compare with the rules' words: texts as they are, without white space around
/// them; numbers and truth values as JSON writes them.
pub fn decode_word(path: &ValuePath, payload: &[u8]) -> Result<String, Rejection> {
    let text = text_of(payload)?;
    let word = match path {
        ValuePath::Whole => Cow::Borrowed(text.trim()),
        ValuePath::JsonPointer(pointer) => match at(&json_of(text)?, pointer)? {
            Json::String(text) => Cow::Owned(text.trim().to_owned()),
            Json::Number(number) => Cow::Owned(number.to_string()),
            Json::Bool(bool) => Cow::Owned(bool.to_string()),
            Json::Null | Json::Array(_) | Json::Object(_) => {
                return Err(Rejection::NotAValue(pointer.clone()));
            }
        },
        ValuePath::SenmlName(name) => Cow::Owned(match senml_value(text, name)? {
            SenmlValue::Text(text) => text.trim().to_owned(),
            SenmlValue::Number(number) => number.to_string(),
            SenmlValue::Bool(bool) => bool.to_string(),
        }),
    };
    if word.is_empty() {
        return Err(Rejection::Empty);
    }
    if word.chars().count() > TEXT_CHARS_MAX {
        return Err(Rejection::ValueTooLong(TEXT_CHARS_MAX));
    }
    Ok(word.into_owned())
}

fn text_of(payload: &[u8]) -> Result<&str, Rejection> {
    if payload.len() > PAYLOAD_BYTES_MAX {
        return Err(Rejection::TooLong(payload.len()));
    }
    if payload.is_empty() {
        return Err(Rejection::Empty);
    }
    std::str::from_utf8(payload).map_err(|_| Rejection::NotUtf8)
}

/// A decimal number as JSON and people write it. Rust would also read "inf", "nan" and "infinity": not here.
fn number_of(text: &str) -> Result<f64, Rejection> {
    let plain = |byte: u8| byte.is_ascii_digit() || matches!(byte, b'+' | b'-' | b'.' | b'e' | b'E');
    if text.is_empty() || !text.bytes().all(plain) {
        return Err(Rejection::NotANumber(bounded(text)));
    }
    finite(text.parse().ok(), text)
}

fn finite(number: Option<f64>, text: &str) -> Result<f64, Rejection> {
    match number {
        Some(number) if number.is_finite() => Ok(number),
        // 1e400 is a number, but none that a meter can mean.
        Some(_) => Err(Rejection::NotFinite(bounded(text))),
        None => Err(Rejection::NotANumber(bounded(text))),
    }
}

/// The parser stops at a depth of 128 by itself.
fn json_of(text: &str) -> Result<Json, Rejection> {
    super::rejection::parse_strictly(text)
}

fn at<'a>(json: &'a Json, pointer: &str) -> Result<&'a Json, Rejection> {
    json.pointer(pointer).ok_or_else(|| Rejection::NothingThere(pointer.to_owned()))
}

/// The newest record of that name; of two from the same time, the later in the pack.
fn senml_value(text: &str, name: &str) -> Result<SenmlValue, Rejection> {
    let records = senml::resolve(text)?;
    let named = records.into_iter().filter(|record| record.name == name && record.value.is_some());
    let newest = named.max_by(|one, other| one.time.total_cmp(&other.time));
    newest.and_then(|record| record.value).ok_or_else(|| Rejection::NothingThere(name.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointer(text: &str) -> ValuePath {
        ValuePath::JsonPointer(text.to_owned())
    }

    #[test]
    fn a_bare_number_is_read_as_people_and_meters_write_it() {
        for (payload, number) in
            [("118", 118.0), (" 12.5\n", 12.5), ("-0.3", -0.3), ("1e3", 1000.0), ("+7", 7.0)]
        {
            assert_eq!(decode_number(&ValuePath::Whole, payload.as_bytes()), Ok(number), "{payload}");
        }
    }

    #[test]
    fn what_is_not_clearly_a_number_is_none() {
        for payload in
            ["", "NaN", "nan", "inf", "-inf", "infinity", "1e400", "0x10", "12 W", "1,5", "--1", "\u{feff}1"]
        {
            assert!(decode_number(&ValuePath::Whole, payload.as_bytes()).is_err(), "{payload:?}");
        }
        assert_eq!(decode_number(&ValuePath::Whole, b"\xff\xfe"), Err(Rejection::NotUtf8));
        for payload in
            [r#"{"w":1e400}"#, r#"{"w":NaN}"#, r#"{"w":true}"#, r#"{"w":null}"#, r#"{"w":1} x"#, r#"{"w":"#]
        {
            assert!(decode_number(&pointer("/w"), payload.as_bytes()).is_err(), "{payload:?}");
        }
    }

    #[test]
    fn a_value_that_stands_there_twice_is_none() {
        let twice = br#"{"w":1,"w":500}"#;
        assert_eq!(decode_number(&pointer("/w"), twice), Err(Rejection::TwiceThere("w".to_owned())));
    }

    #[test]
    fn payload_bombs_are_refused() {
        let deep = "[".repeat(100_000);
        assert!(matches!(decode_number(&pointer("/0"), deep.as_bytes()), Err(Rejection::TooLong(_))));
        let deep = "[".repeat(60_000);
        assert!(matches!(decode_number(&pointer("/0"), deep.as_bytes()), Err(Rejection::NotJson(_))));
    }

    #[test]
    fn words_can_be_texts_numbers_and_truth_values() {
        let payload = br#"{"relay":" on ","closed":true,"step":2}"#;
        for (path, word) in [("/relay", "on"), ("/closed", "true"), ("/step", "2")] {
            assert_eq!(decode_word(&pointer(path), payload).as_deref(), Ok(word));
        }
        assert_eq!(decode_word(&ValuePath::Whole, b"  open "), Ok("open".to_owned()));
        assert_eq!(decode_word(&ValuePath::Whole, b"  "), Err(Rejection::Empty));
    }

    /// RFC 6901, section 5: the whole table.
    #[test]
    fn json_pointers_follow_rfc_6901() {
        let document: Json = serde_json::from_str(
            r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#,
        )
        .unwrap();
        let text = document.to_string();
        assert_eq!(at(&document, ""), Ok(&document));
        assert_eq!(at(&document, "/foo"), Ok(&serde_json::json!(["bar", "baz"])));
        assert_eq!(decode_word(&pointer("/foo/0"), text.as_bytes()).as_deref(), Ok("bar"));
        for (path, number) in [
            ("/", 0.0),
            ("/a~1b", 1.0),
            ("/c%d", 2.0),
            ("/e^f", 3.0),
            ("/g|h", 4.0),
            ("/i\\j", 5.0),
            ("/k\"l", 6.0),
            ("/ ", 7.0),
            ("/m~0n", 8.0),
        ] {
            assert_eq!(decode_number(&pointer(path), text.as_bytes()), Ok(number), "{path}");
        }
        // Section 4: an index has no leading zero, and "-" is the element after the last, which is not there.
        for path in ["/foo/00", "/foo/-", "/foo/2", "/nothing"] {
            assert!(
                matches!(decode_word(&pointer(path), text.as_bytes()), Err(Rejection::NothingThere(_))),
                "{path}"
            );
        }
    }
}
