use super::*;
use crate::engine::{Announced, IncidentTold};
use crate::event::Name;
use crate::guard::InputId;
use crate::time::{Now, Span};

fn held(may_force: bool, reason: Reason) -> Announced {
    Announced {
        at: Now::default(),
        machine: Name::new("resin-printer").unwrap(),
        title: "Resin printer".into(),
        what: Announcement::Held { input: InputId(1), reason, window: Span::secs(10), may_force },
        input: Some((Name::new("bench-button").unwrap(), "Bench button".into())),
        reasons: vec!["118 W, busy above 40 W".into()],
        behind: None,
        how: Some("hold the button down".into()),
        clears_in: None,
    }
}

fn built_in(announced: &Announced) -> String {
    announcement(announced, &BTreeMap::new())
}

#[test]
fn a_held_press_is_told_why_and_how_to_force_it() {
    assert_eq!(
        built_in(&held(true, Reason::MachineBusy)),
        "Resin printer stays on: 118 W, busy above 40 W. To switch it off all the same, hold the button down within 10 s."
    );
}

#[test]
fn an_input_that_may_not_force_is_not_told_to() {
    let sentence = built_in(&held(false, Reason::MachineBusy));
    assert!(sentence.contains("Bench button may not force it off"), "{sentence}");
}

#[test]
fn a_sentence_of_the_rules_takes_the_place_of_the_built_in_one() {
    let own = BTreeMap::from([("held".to_owned(), "Nicht jetzt: {reason} ({nonsense})".to_owned())]);
    let expected = "Nicht jetzt: 118 W, busy above 40 W ({nonsense})";
    assert_eq!(announcement(&held(true, Reason::MachineBusy), &own), expected);
    // One sentence for whatever is held will do; a shop may word the doubt apart.
    assert_eq!(announcement(&held(true, Reason::MachineUnknown), &own), expected);
    let mut apart = own;
    apart.insert("held-unknown".to_owned(), "Wer weiß?".to_owned());
    assert_eq!(announcement(&held(true, Reason::MachineUnknown), &apart), "Wer weiß?");
}

#[test]
fn an_incident_ends_in_a_sentence_of_its_own() {
    let told = |kind, retried| IncidentTold {
        at: Now::default(),
        machine: Name::new("mill").unwrap(),
        title: "Mill".into(),
        kind,
        urgent: false,
        reasons: Vec::new(),
        behind: None,
        retried,
    };
    let over = |kind, retried| incident(&told(kind, retried), true, &BTreeMap::new());
    assert_eq!(over(IncidentKind::NotConfirmed, false), "Mill's outlet has now confirmed.");
    assert!(over(IncidentKind::NotConfirmed, true).starts_with("Mill is being switched once more"));
    let ends: std::collections::BTreeSet<String> =
        IncidentKind::ALL.into_iter().map(|kind| over(kind, false)).collect();
    assert_eq!(ends.len(), IncidentKind::ALL.len(), "{ends:?}");
}

#[test]
fn every_kind_of_incident_has_its_sentences() {
    let known = |kind: &str| BUILT_IN.iter().any(|(known, _)| *known == kind);
    for kind in IncidentKind::ALL {
        assert!(known(kind.word()) && known(&format!("{}-over", kind.word())), "{kind:?}");
    }
}
