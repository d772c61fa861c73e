//! What could go wrong: a payload that could be read in two ways is read in one of them, a record of a pack is left
//! out, a message about something else is taken for a fault, or a bomb brings the reader down.

use super::*;

fn pointer(text: &str) -> ValuePath {
    ValuePath::JsonPointer(text.to_owned())
}

fn number_at(path: &ValuePath, payload: &str) -> Result<f64, Rejection> {
    decode_number(path, payload.as_bytes())
}

#[test]
fn a_bare_number_is_read_as_people_and_meters_write_it() {
    for (payload, number) in [("118", 118.0), (" 12.5\n", 12.5), ("-0.3", -0.3), ("1e3", 1000.0), ("+7", 7.0)]
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

fn watts() -> NumberSignal {
    NumberSignal { unit: "W".to_owned(), ..NumberSignal::default() }
}

fn power() -> ValuePath {
    ValuePath::SenmlName("mill/power".to_owned())
}

/// Seven readings of a working machine and one of a pause: all of them happened.
#[test]
fn every_record_of_the_name_is_a_value_oldest_first() {
    let pack = br#"[{"bn":"mill/","bu":"W","n":"power","t":-2,"v":118},
        {"n":"power","t":-7,"v":640}, {"n":"noise","u":"dB","v":60}, {"n":"power","t":-2,"v":119}]"#;
    let ago = |secs, value| Decoded { value, stamp: Stamp::Ago(idlegate_guard::time::Span::secs(secs)) };
    let values = vec![ago(7, 640.0), ago(2, 118.0), ago(2, 119.0)];
    assert_eq!(decode_numbers(&power(), &watts(), pack), Ok(values));
    assert_eq!(decode_word(&power(), pack).as_deref(), Ok("119"), "a word is compared with the newest");
    let mixed = br#"[{"n":"mill/power","bt":1.7e9,"v":118},{"bt":0,"n":"mill/power","v":2}]"#;
    assert_eq!(
        decode_numbers(&power(), &watts(), mixed),
        Err(Rejection::MixedTimes("mill/power".to_owned()))
    );
    let open = br#"[{"n":"mill/power","vb":true}]"#;
    assert_eq!(decode_numbers(&power(), &watts(), open), Err(Rejection::NotANumber("true".to_owned())));
    assert_eq!(decode_word(&power(), open).as_deref(), Ok("true"));
}

#[test]
fn one_record_that_cannot_be_read_makes_the_pack_unreadable() {
    for pack in [
        r#"[{"n":"mill/power","t":-1,"vs":"overload"},{"n":"mill/power","v":3}]"#,
        r#"[{"n":"mill/power","t":-1,"vd":"AA"},{"n":"mill/power","v":3}]"#,
        r#"[{"n":"mill/power","u":"var","t":-1,"v":455},{"n":"mill/power","u":"W","v":3}]"#,
    ] {
        let rejection = decode_numbers(&power(), &watts(), pack.as_bytes()).unwrap_err();
        assert!(!rejection.says_nothing(), "{pack}: {rejection}");
    }
}

#[test]
fn a_pack_with_more_records_than_are_read_is_refused() {
    let pack = |count| format!("[{}]", vec![r#"{"n":"mill/power","v":455}"#; count].join(","));
    let read = |count| decode_numbers(&power(), &watts(), pack(count).as_bytes()).map(|values| values.len());
    assert_eq!(read(1_024), Ok(1_024));
    assert_eq!(read(1_025), Err(Rejection::NotSenml(senml::SenmlFault::TooMany)));
}

/// A strip that speaks of one socket at a time, a pack of another meter: the rest is as it was.
#[test]
fn only_what_is_absent_from_a_sound_message_says_nothing() {
    let rejected =
        |path: &ValuePath, payload: &str| decode_numbers(path, &watts(), payload.as_bytes()).unwrap_err();
    for (path, payload) in [
        (pointer("/1/power"), r#"{"0":{"power":3}}"#),
        (pointer("/1/power"), r#"[{"power":3}]"#),
        (pointer("/power"), r#"{}"#),
        (power(), r#"[{"n":"kiln/power","v":3}]"#),
        // Energy alone is no power.
        (power(), r#"[{"n":"mill/power","u":"W","s":59000}]"#),
        (power(), "[]"),
    ] {
        let rejection = rejected(&path, payload);
        assert!(rejection.says_nothing(), "{payload}: {rejection}");
    }
    for (path, payload) in [
        (pointer("/power"), ""),
        (pointer("/power"), "3"),
        (pointer("/power"), r#""overload""#),
        (pointer("/power"), "null"),
        (pointer("/power"), r#"{"power":null}"#),
        (pointer("/power"), r#"{"power":"overload"}"#),
        (pointer("/power/0"), r#"{"power":3}"#),
        (pointer("/power"), r#"{"power":3"#),
        (pointer("/power"), r#"{"power":3,"power":4}"#),
        (power(), r#"[{"n":"kiln/power"}]"#),
        (power(), r#"{"n":"kiln/power","v":3}"#),
    ] {
        let rejection = rejected(&path, payload);
        assert!(!rejection.says_nothing(), "{payload}: {rejection}");
    }
}

#[test]
fn values_within_arrays_and_objects_are_reached() {
    for (path, payload) in [
        ("/0/power", r#"[{"power":118},{"power":3}]"#),
        ("/sockets/1/now/w", r#"{"sockets":[{},{"now":{"w":"118 W"}}]}"#),
        ("", "118"),
        ("", r#""118 W""#),
    ] {
        let values = decode_numbers(&pointer(path), &watts(), payload.as_bytes()).unwrap();
        assert_eq!(values[0].value, 118.0, "{path}");
    }
}

proptest::proptest! {
    #[test]
    fn no_payload_brings_the_decoder_down(payload: Vec<u8>, path: String) {
        for path in [ValuePath::Whole, ValuePath::JsonPointer(path.clone()), ValuePath::SenmlName(path)] {
            let _ = decode_word(&path, &payload);
            if let Ok(number) = decode_number(&path, &payload) {
                proptest::prop_assert!(number.is_finite());
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
