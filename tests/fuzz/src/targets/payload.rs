//! What comes over the broker.

use idlegate::effects::carried::{Carried, Heard};
use idlegate::engine::Former;
use idlegate::intake::{decode_number, decode_text, decode_word, parse_request};
use idlegate::plan::ValuePath;

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
        Ok(number) => assert!(number.value.is_finite(), "{payload:?} is read as {}", number.value),
        Err(rejection) => assert!(!rejection.to_string().is_empty()),
    }
    if let Ok(text) = decode_text(&path, payload) {
        assert!(text.value.len() <= payload.len() * 4);
    }
    let _ = decode_word(&path, payload);
    let _ = parse_request(payload);
}

/// What one guard leaves to the next comes back as it was.
pub(crate) fn carried(data: &[u8]) {
    let mut carried = Carried::default();
    // An empty message takes a kept one away.
    if !data.is_empty() && carried.take_kept("mill", data, Heard::Live).is_ok() {
        let now = idlegate::time::Now::default();
        let machine = idlegate::event::Name::new("mill").unwrap_or_else(|_| unreachable!());
        let again = carried.kept_message(now, &machine).to_string();
        let mut second = Carried::default();
        second
            .take_kept("mill", again.as_bytes(), Heard::Live)
            .unwrap_or_else(|error| panic!("{error}: {again}"));
        let (first, second) = (carried.over(&Former::default(), None), second.over(&Former::default(), None));
        let locks = |former: &Former| {
            former.machines.iter().map(|kept| kept.state.lockout.clone()).collect::<Vec<_>>()
        };
        assert_eq!(locks(&first), locks(&second));
    }
    let _ = carried.take_answered("mill", data);
}
