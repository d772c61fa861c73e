//! What comes over the broker.

use idlegate_engine::intake::{decode_number, decode_texts, decode_word, parse_request};
use idlegate_engine::signals;
use idlegate_guard::time::Span;
use idlegate_messages::effects::handover::{Delivery, Handover};
use idlegate_plan::event::{Name, Value};
use idlegate_plan::{Decimal, NumberSignal, Signal, SignalKind, Source, ValuePath};

/// The first byte chooses how the rest is read.
pub(crate) fn payload(data: &[u8]) {
    let Some((how, payload)) = data.split_first() else { return };
    let path = match how % 4 {
        0 => ValuePath::Whole,
        1 => ValuePath::JsonPointer("/watts".to_owned()),
        2 => ValuePath::JsonPointer("/a/0/~1b".to_owned()),
        _ => ValuePath::SenmlName("urn:dev:mac:0024befffe804ff1/watts".to_owned()),
    };
    match decode_number(&path, payload) {
        Ok(number) => assert!(number.is_finite(), "{payload:?} is read as {number}"),
        Err(rejection) => assert!(!rejection.to_string().is_empty()),
    }
    for text in decode_texts(&path, payload).into_iter().flatten() {
        assert!(text.value.len() <= payload.len() * 4);
    }
    by_rules(how, &path, payload);
    let _ = decode_word(&path, payload);
    let _ = parse_request(payload);
}

/// Whatever the rules are, a reading is a plausible number, and a payload that two decimal marks can read is one
/// number.
fn by_rules(how: &u8, path: &ValuePath, payload: &[u8]) {
    let signal = |decimal| Signal {
        name: Name::new("power").unwrap_or_else(|_| unreachable!()),
        source: Source { filter: "meters/mill".to_owned(), path: path.clone() },
        kind: SignalKind::Number(NumberSignal {
            unit: if how & 4 == 0 { "W".to_owned() } else { String::new() },
            scale: if how & 8 == 0 { 1.0 } else { 1_000.0 },
            plausible: (-10.0, 4_000.0),
            decimal,
            values: vec![("open".to_owned(), 0.0), ("true".to_owned(), 1.0)],
            ..NumberSignal::default()
        }),
        stale_after: Span::secs(30),
        stuck_after: None,
        sender_stores: false,
        reports: idlegate_plan::Reports::Steadily,
    };
    let [point, comma] =
        [Decimal::Point, Decimal::Comma].map(|decimal| signals::read(&signal(decimal), payload));
    for read in [&point, &comma] {
        match read {
            Ok(values) => {
                assert!(!values.is_empty());
                for decoded in values {
                    let Value::Number(number) = decoded.value else { unreachable!() };
                    assert!((-10.0..=4_000.0).contains(&number), "{payload:?} is read as {number}");
                }
            }
            Err(fault) => assert!(!fault.to_string().is_empty()),
        }
    }
    if let (Ok(point), Ok(comma)) = (point, comma) {
        assert_eq!(point, comma, "{payload:?}");
    }
}

/// What one guard leaves to the next comes back as it was.
pub(crate) fn handover(data: &[u8]) {
    let mut handover = Handover::default();
    if handover.take_kept("kept", "mill", data).is_ok_and(|news| news) {
        let now = idlegate_guard::time::Now::default();
        let machine = idlegate_plan::event::Name::new("mill").unwrap_or_else(|_| unreachable!());
        let again = handover.kept_message(now, "kept", &machine);
        let mut second = Handover::default();
        second.take_kept("kept", "mill", again.as_bytes()).unwrap_or_else(|error| panic!("{error}: {again}"));
        assert_eq!(handover.states(), second.states());
    }
    for (page, heard) in [(None, Delivery::Live), (Some(0), Delivery::Stored), (Some(1), Delivery::Live)] {
        let _ = handover.take_answered("ids", ("mill", page), data, heard);
    }
    let ids = handover.take_over_ids(&[], idlegate_guard::time::WallTime::default());
    assert!(ids.len() <= 3 * data.len(), "ids that nobody left");
}
