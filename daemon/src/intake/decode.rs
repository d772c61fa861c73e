//! One value out of one payload.

use serde_json::Value as Json;

use super::rejection::{Rejection, bounded, parse_strictly};
use super::senml::{self, Record, SenmlValue};
use super::stamp::Stamp;
use crate::plan::ValuePath;

/// A meter's message has some hundred bytes; this leaves room for chatty ones, and none for bombs.
pub const PAYLOAD_BYTES_MAX: usize = 64 * 1024;
/// A status or gesture longer than this is none.
const TEXT_CHARS_MAX: usize = 256;

/// A value, and what its payload says about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Decoded<T> {
    pub value: T,
    pub stamp: Stamp,
    /// Only SenML names a unit.
    pub unit: Option<String>,
}

impl<T> Decoded<T> {
    /// A value whose payload says nothing else.
    fn bare(value: T) -> Decoded<T> {
        Decoded { value, stamp: Stamp::Arrival, unit: None }
    }

    fn of(record: Record, value: T) -> Decoded<T> {
        Decoded { value, stamp: record.stamp(), unit: record.unit }
    }
}

/// The number at the path. Never NaN, never infinite.
pub fn decode_number(path: &ValuePath, payload: &[u8]) -> Result<Decoded<f64>, Rejection> {
    let text = text_of(payload)?;
    match path {
        // Most meters send this, thousands a second: no JSON, and no memory is asked for.
        ValuePath::Whole => number_of(text.trim()).map(Decoded::bare),
        ValuePath::JsonPointer(pointer) => {
            let number = match at(&parse_strictly(text)?, pointer)? {
                Json::Number(number) => finite(number.as_f64(), || number.to_string()),
                // Some meters put their numbers in quotes.
                Json::String(text) => number_of(text.trim()),
                Json::Bool(bool) => Err(Rejection::NotANumber(bool.to_string())),
                Json::Null | Json::Array(_) | Json::Object(_) => Err(Rejection::NotAValue(pointer.clone())),
            };
            number.map(Decoded::bare)
        }
        ValuePath::SenmlName(name) => {
            let record = newest(text, name)?;
            match &record.value {
                Some(SenmlValue::Number(number)) => {
                    let number = *number;
                    Ok(Decoded::of(record, number))
                }
                Some(SenmlValue::Text(text)) => Err(Rejection::NotANumber(bounded(text))),
                Some(SenmlValue::Bool(bool)) => Err(Rejection::NotANumber(bool.to_string())),
                Some(SenmlValue::Data(_)) | None => Err(Rejection::NotAValue(name.clone())),
            }
        }
    }
}

/// The text at the path, without white space around it. Numbers and truth values are texts, too, as JSON writes
/// them: many machines report their status as a number.
pub fn decode_text(path: &ValuePath, payload: &[u8]) -> Result<Decoded<String>, Rejection> {
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
        ValuePath::SenmlName(name) => {
            let record = newest(text, name)?;
            let word = match &record.value {
                Some(SenmlValue::Text(text)) => word_of(text)?,
                Some(SenmlValue::Number(number)) => number.to_string(),
                Some(SenmlValue::Bool(bool)) => bool.to_string(),
                Some(SenmlValue::Data(_)) | None => return Err(Rejection::NotAValue(name.clone())),
            };
            Ok(Decoded::of(record, word))
        }
    }
}

/// The value at the path as a word to compare with the rules' words, read as [`decode_text`] reads it.
pub fn decode_word(path: &ValuePath, payload: &[u8]) -> Result<String, Rejection> {
    decode_text(path, payload).map(|decoded| decoded.value)
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

/// A decimal number as JSON and people write it. Rust would also read "inf", "nan" and "infinity": not here.
fn number_of(text: &str) -> Result<f64, Rejection> {
    let plain = |byte: u8| byte.is_ascii_digit() || matches!(byte, b'+' | b'-' | b'.' | b'e' | b'E');
    if text.is_empty() || !text.bytes().all(plain) {
        return Err(Rejection::NotANumber(bounded(text)));
    }
    finite(text.parse().ok(), || text.to_owned())
}

fn finite(number: Option<f64>, told: impl FnOnce() -> String) -> Result<f64, Rejection> {
    match number {
        Some(number) if number.is_finite() => Ok(number),
        // 1e400 is a number, but none that a meter can mean.
        Some(_) => Err(Rejection::NotFinite(bounded(&told()))),
        None => Err(Rejection::NotANumber(bounded(&told()))),
    }
}

fn at<'a>(json: &'a Json, pointer: &str) -> Result<&'a Json, Rejection> {
    json.pointer(pointer).ok_or_else(|| Rejection::NothingThere(pointer.to_owned()))
}

/// The newest record of that name that has a value; of two from the same time, the later in the pack.
fn newest(text: &str, name: &str) -> Result<Record, Rejection> {
    let records = senml::resolve(text)?;
    let mut named: Vec<_> =
        records.into_iter().filter(|record| record.name == name && record.value.is_some()).collect();
    // Which of the two kinds is newer cannot be told without a clock, and a sender has no reason to mix them.
    if named.iter().any(Record::is_absolute) && !named.iter().all(Record::is_absolute) {
        return Err(Rejection::MixedTimes(name.to_owned()));
    }
    named.sort_by(|one, other| one.time.total_cmp(&other.time));
    named.pop().ok_or_else(|| Rejection::NothingThere(name.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointer(text: &str) -> ValuePath {
        ValuePath::JsonPointer(text.to_owned())
    }

    fn number_at(path: &ValuePath, payload: &str) -> Result<f64, Rejection> {
        decode_number(path, payload.as_bytes()).map(|decoded| decoded.value)
    }

    #[test]
    fn a_bare_number_is_read_as_people_and_meters_write_it() {
        for (payload, number) in
            [("118", 118.0), (" 12.5\n", 12.5), ("-0.3", -0.3), ("1e3", 1000.0), ("+7", 7.0)]
        {
            assert_eq!(number_at(&ValuePath::Whole, payload), Ok(number), "{payload}");
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
        assert_eq!(decode_word(&ValuePath::Whole, b"\xef\xbb\xbfon"), Err(Rejection::ByteOrderMark));
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
        let payload = br#"{"switch":" on ","closed":true,"step":2}"#;
        for (path, word) in [("/switch", "on"), ("/closed", "true"), ("/step", "2")] {
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
            assert_eq!(number_at(&pointer(path), &text), Ok(number), "{path}");
        }
        // Section 4: an index has no leading zero, and "-" is the element after the last, which is not there.
        for path in ["/foo/00", "/foo/-", "/foo/2", "/nothing"] {
            assert!(
                matches!(decode_word(&pointer(path), text.as_bytes()), Err(Rejection::NothingThere(_))),
                "{path}"
            );
        }
    }

    #[test]
    fn of_a_pack_the_newest_record_of_the_name_counts_with_its_unit_and_time() {
        let path = ValuePath::SenmlName("mill/power".to_owned());
        let pack = br#"[{"bn":"mill/","bu":"W","n":"power","t":-2,"v":118},
            {"n":"power","t":-7,"v":640}, {"n":"noise","u":"dB","v":60}, {"n":"power","t":-2,"v":119}]"#;
        let unit = Some("W".to_owned());
        let stamp = Stamp::Ago(crate::time::Span::secs(2));
        assert_eq!(decode_number(&path, pack), Ok(Decoded { value: 119.0, stamp, unit }));
        let mixed = br#"[{"n":"mill/power","bt":1.7e9,"v":118},{"bt":0,"n":"mill/power","v":2}]"#;
        assert_eq!(decode_number(&path, mixed), Err(Rejection::MixedTimes("mill/power".to_owned())));
        // Energy alone is no power.
        let energy = br#"[{"n":"mill/power","u":"W","s":59000}]"#;
        assert_eq!(decode_number(&path, energy), Err(Rejection::NothingThere("mill/power".to_owned())));
        let open = br#"[{"n":"mill/power","vb":true}]"#;
        assert_eq!(decode_number(&path, open), Err(Rejection::NotANumber("true".to_owned())));
        assert_eq!(decode_word(&path, open).as_deref(), Ok("true"));
    }

    proptest::proptest! {
        #[test]
        fn no_payload_brings_the_decoder_down(payload: Vec<u8>, path: String) {
            for path in [ValuePath::Whole, ValuePath::JsonPointer(path.clone()), ValuePath::SenmlName(path)] {
                let _ = decode_word(&path, &payload);
                if let Ok(decoded) = decode_number(&path, &payload) {
                    proptest::prop_assert!(decoded.value.is_finite());
                }
            }
        }

        #[test]
        fn a_bare_number_and_the_same_in_json_are_one(number in proptest::num::f64::NORMAL) {
            let json = format!("{{\"w\":\"{number}\"}}");
            proptest::prop_assert_eq!(number_at(&ValuePath::Whole, &number.to_string()), Ok(number));
            proptest::prop_assert_eq!(number_at(&pointer("/w"), &json), Ok(number));
        }
    }
}
