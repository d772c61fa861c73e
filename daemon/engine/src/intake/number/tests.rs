//! What could go wrong: kilowatts taken for watts, 0,048 taken for 48, a word taken for a number, and a working machine
//! for an idle one.

use proptest::prelude::*;

use super::*;
use crate::intake::decode_numbers;
use idlegate_plan::ValuePath;

fn in_unit(unit: &str) -> NumberSignal {
    NumberSignal { unit: unit.to_owned(), ..NumberSignal::default() }
}

fn read(rules: &NumberSignal, text: &str) -> Result<f64, Rejection> {
    of_text(rules, text, None)
}

fn told(rules: &NumberSignal, text: &str) -> String {
    read(rules, text).unwrap_err().to_string()
}

#[test]
fn a_unit_behind_the_number_counts() {
    for (unit, text, value) in [
        ("W", "118.2 W", 118.2),
        ("W", "118.2W", 118.2),
        ("W", " 0.048 kW\n", 48.0),
        ("W", "0.048\u{a0}kW", 48.0),
        ("W", "48000 mW", 48.0),
        ("W", "1e3 W", 1_000.0),
        ("W", "-0.3 W", -0.3),
        ("kW", "118.2 W", 0.1182),
        ("mA", "1.2 A", 1_200.0),
        ("V", "230.1 V", 230.1),
        ("kWh", "1234 Wh", 1.234),
        ("J", "2 Wh", 7_200.0),
        ("Cel", "23.1 \u{b0}C", 23.1),
        ("Cel", "23.1 Cel", 23.1),
        ("%RH", "40 %RH", 40.0),
        ("EL", "5EL", 5.0),
    ] {
        assert_eq!(read(&in_unit(unit), text), Ok(value), "{text:?} in {unit}");
    }
}

#[test]
fn a_unit_that_does_not_fit_is_refused_with_what_to_do() {
    for (unit, text, why) in [
        ("W", "2.6 A", r#"the payload gives its value in "A", and the rules take it for "W""#),
        ("W", "2.6 Wh", r#"the payload gives its value in "Wh", and the rules take it for "W""#),
        ("W", "2.6 KW", r#"what follows the number in "2.6 KW" is not a unit that is known here"#),
        ("W", "12 watts", r#"what follows the number in "12 watts" is not a unit that is known here"#),
        ("", "118 W", r#"the payload gives its value in "W", but the rules name no unit: set unit = "W""#),
        (
            "",
            "23 \u{b0}C",
            r#"the payload gives its value in "°C", but the rules name no unit: set unit = "Cel""#,
        ),
        ("", "0x10", r#"what follows the number in "0x10" is not a unit that is known here"#),
    ] {
        assert_eq!(told(&in_unit(unit), text), why);
    }
}

#[test]
fn a_scale_and_a_unit_in_the_payload_must_say_the_same() {
    let thousand = NumberSignal { scale: 1_000.0, ..in_unit("W") };
    assert_eq!(read(&thousand, "0.048 kW"), Ok(48.0));
    assert_eq!(read(&thousand, "0.048"), Ok(48.0));
    let why =
        "the payload gives its own unit, \"W\", but the rules set a scale or an offset as well: remove those";
    assert_eq!(told(&thousand, "48 W"), why);
    assert_eq!(told(&NumberSignal { offset: 1.0, ..thousand }, "0.048 kW"), why.replace("\"W\"", "\"kW\""));
}

#[test]
fn a_decimal_comma_is_read_only_where_the_rules_say_so() {
    let comma = NumberSignal { decimal: Decimal::Comma, ..in_unit("W") };
    for (text, value) in [("0,048", 0.048), ("0,048 kW", 48.0), ("118", 118.0), ("-1,5e2", -150.0)] {
        assert_eq!(read(&comma, text), Ok(value), "{text}");
    }
    let point = in_unit("W");
    assert_eq!(
        told(&point, "0,048"),
        r#""0,048" has a comma: if this sender writes a decimal comma, set decimal = ",""#
    );
    assert_eq!(told(&comma, "0.048"), r#""0.048" has a decimal point, but the rules say decimal = ",""#);
    for text in ["1,234.5", "1.234,5", "1,234,567", "1.234.567", "1 234", "1'234", "1_234", "1\u{202f}234"] {
        for rules in [&point, &comma] {
            assert!(read(rules, text).is_err(), "{text}");
        }
    }
    // JSON has one decimal mark, whatever the sender writes in texts.
    let path = ValuePath::JsonPointer("/w".to_owned());
    assert_eq!(decode_numbers(&path, &comma, br#"{"w":0.048}"#).unwrap()[0].value, 0.048);
}

#[test]
fn words_stand_for_the_numbers_that_the_rules_say() {
    let lid = NumberSignal {
        values: vec![
            ("closed".into(), 1.0),
            ("open".into(), 0.0),
            ("true".into(), 1.0),
            ("false".into(), 0.0),
        ],
        scale: 7.0,
        ..NumberSignal::default()
    };
    let at = |path: &str, payload: &str| {
        let path = ValuePath::JsonPointer(path.to_owned());
        decode_numbers(&path, &lid, payload.as_bytes()).map(|values| values[0].value)
    };
    assert_eq!(read(&lid, " open\n"), Ok(0.0));
    assert_eq!(at("/lid", r#"{"lid":"closed"}"#), Ok(1.0));
    assert_eq!((at("/lid", r#"{"lid":true}"#), at("/lid", r#"{"lid":false}"#)), (Ok(1.0), Ok(0.0)));
    let pack = br#"[{"n":"lid","vb":false,"t":-1},{"n":"lid","vs":"closed"}]"#;
    let values = decode_numbers(&ValuePath::SenmlName("lid".to_owned()), &lid, pack).unwrap();
    assert_eq!(values.iter().map(|decoded| decoded.value).collect::<Vec<_>>(), [0.0, 1.0]);
    assert_eq!(read(&lid, "2"), Ok(14.0), "a number is a number");
    for word in ["Open", "ajar", "", "null"] {
        assert!(read(&lid, word).is_err(), "{word}");
    }
    assert!(at("/lid", r#"{"lid":null}"#).is_err());
    assert!(read(&NumberSignal::default(), "true").is_err());
}

/// Every unit a text may bring, and what one of it is in watts, volts, amperes and joules. Written down here by hand.
const IN_BASE: [(&str, &str, f64); 12] = [
    ("W", "W", 1.0),
    ("kW", "W", 1e3),
    ("mW", "W", 1e-3),
    ("MW", "W", 1e6),
    ("V", "V", 1.0),
    ("mV", "V", 1e-3),
    ("kV", "V", 1e3),
    ("A", "A", 1.0),
    ("mA", "A", 1e-3),
    ("J", "J", 1.0),
    ("Wh", "J", 3.6e3),
    ("kWh", "J", 3.6e6),
];

fn rules() -> impl Strategy<Value = NumberSignal> {
    let unit = prop_oneof![Just(""), Just("W"), Just("kW"), Just("A"), Just("Cel")];
    (unit, any::<bool>()).prop_map(|(unit, comma)| NumberSignal {
        decimal: if comma { Decimal::Comma } else { Decimal::Point },
        ..in_unit(unit)
    })
}

/// Texts near enough to numbers to get somewhere.
fn text() -> impl Strategy<Value = String> {
    prop_oneof![
        r"[-+]?[0-9]{0,4}[.,]?[0-9]{0,4}([eE][-+]?[0-9]{1,2})?( ?(W|kW|mW|A|Wh|Cel|%|EL))?",
        r"[-+0-9.,eE' WkmA]{0,10}",
        ".{0,12}",
    ]
}

proptest! {
    /// With a point and with a comma, bare, in quotes and in a record: whoever reads it reads the same or nothing.
    #[test]
    fn no_text_is_ever_two_numbers(text in text(), rules in rules()) {
        let other = NumberSignal {
            decimal: match rules.decimal { Decimal::Point => Decimal::Comma, Decimal::Comma => Decimal::Point },
            ..rules.clone()
        };
        let value = read(&rules, &text);
        if let (Ok(one), Ok(other)) = (&value, read(&other, &text)) {
            prop_assert_eq!(*one, other);
        }
        let quoted = serde_json::json!({ "w": text }).to_string();
        let at = decode_numbers(&ValuePath::JsonPointer("/w".into()), &rules, quoted.as_bytes());
        prop_assert_eq!(at.ok().map(|values| values[0].value), value.clone().ok());
        let pack = serde_json::json!([{ "n": "w", "vs": text }]).to_string();
        let recorded = decode_numbers(&ValuePath::SenmlName("w".into()), &rules, pack.as_bytes());
        prop_assert_eq!(recorded.ok().map(|values| values[0].value), value.ok());
    }

    #[test]
    fn what_was_read_is_read_the_same_once_it_is_written_again(text in text(), rules in rules()) {
        if let Ok(value) = read(&rules, &text) {
            let written = match rules.decimal {
                Decimal::Point => value.to_string(),
                Decimal::Comma => value.to_string().replace('.', ","),
            };
            prop_assert_eq!(read(&rules, &written), Ok(value));
            if !rules.unit.is_empty() {
                prop_assert_eq!(read(&rules, &format!("{written} {}", rules.unit)), Ok(value));
            }
        }
    }

    #[test]
    fn a_number_with_a_unit_is_what_it_says(
        negative: bool, whole in 0_u32..100_000, places in 0_usize..4, part in 0_u32..1_000, comma: bool,
        (unit, base, size) in proptest::sample::select(IN_BASE.to_vec()),
    ) {
        let part = format!("{part:03}")[..places].to_owned();
        let mark = if places == 0 { "" } else { "." };
        let point = format!("{}{whole}{mark}{part}", if negative { "-" } else { "" });
        let expected = point.parse::<f64>().unwrap() * size;
        let (decimal, written) = if comma { (Decimal::Comma, point.replace('.', ",")) } else { (Decimal::Point, point) };
        let rules = NumberSignal { decimal, ..in_unit(base) };
        let value = read(&rules, &format!("{written} {unit}")).unwrap();
        prop_assert!((value - expected).abs() <= expected.abs() * 1e-12, "{} is not {}", value, expected);
    }

    #[test]
    fn whatever_else_stands_behind_a_number_makes_it_none(
        number in "[0-9]{1,4}(\\.[0-9]{1,3})?", gap in "[ \u{a0}]{0,2}", tail in r"[^\s0-9.eE][^\s]{0,6}", unit in "(W|A|)",
    ) {
        let known = IN_BASE.iter().any(|(unit, ..)| *unit == tail);
        prop_assume!(!known || unit.is_empty());
        let text = format!("{number}{gap}{tail}");
        prop_assert!(read(&in_unit(&unit), &text).is_err(), "{:?}", text);
    }

    #[test]
    fn a_word_of_the_rules_is_never_a_number_as_well(word in text()) {
        let word = word.trim().to_owned();
        if !reads_as_number(&word) {
            for decimal in [Decimal::Point, Decimal::Comma] {
                let number = NumberSignal { decimal, ..in_unit("W") };
                prop_assert!(read(&number, &word).is_err());
            }
        }
    }
}
