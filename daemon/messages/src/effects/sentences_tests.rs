use super::*;
use idlegate_engine::{Announced, IncidentTold, JobEnd, JobOver, JobTold, Next};
use idlegate_guard::InputId;
use idlegate_guard::time::{Now, Span, WallTime};
use idlegate_plan::event::Name;

fn held(may_force: bool, reason: Reason) -> Announced {
    Announced {
        at: Now::default(),
        machine: Name::new("resin-printer").unwrap(),
        title: "Resin printer".into(),
        others: Vec::new(),
        all: false,
        out_of_sight: Vec::new(),
        left_behind: Vec::new(),
        what: Announcement::Held { input: InputId(1), reason, window: Span::secs(10), may_force },
        input: Some((Name::new("bench-button").unwrap(), "Bench button".into())),
        reasons: vec!["118 W, busy above 40 W".into()],
        behind: None,
        how: Some("hold the button down".into()),
        clears_in: None,
        job: None,
        power: None,
        shadow: false,
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
        others: Vec::new(),
        at: Now::default(),
        machine: Name::new("mill").unwrap(),
        title: "Mill".into(),
        kind,
        urgent: false,
        reasons: Vec::new(),
        behind: None,
        retried,
        quiet: false,
    };
    let over = |kind, retried| incident(&told(kind, retried), true, &BTreeMap::new());
    assert_eq!(over(IncidentKind::NotConfirmed, false), "Mill's outlet has now confirmed.");
    assert!(over(IncidentKind::NotConfirmed, true).starts_with("Mill is being switched once more"));
    let ends: std::collections::BTreeSet<String> =
        IncidentKind::ALL.into_iter().map(|kind| over(kind, false)).collect();
    assert_eq!(ends.len(), IncidentKind::ALL.len(), "{ends:?}");
}

fn ended(what: Announcement, how: JobEnd, next: Next) -> Announced {
    let over = JobOver {
        begun: WallTime(0),
        begin_unseen: false,
        not_before: None,
        ended: WallTime(0),
        lasted: Span::secs(22_320),
        how,
        by: None,
        who: None,
        joules: Some(2_664_000.0),
        watts_max: Some(180.0),
        cost: Some(0.2205),
        unseen: Span::ZERO,
    };
    let between = (how == JobEnd::Unseen).then(|| ("02:10".to_owned(), "06:40".to_owned()));
    let job = JobTold { over, next, between, currency: Some("EUR".into()) };
    let reasons = vec!["62 °C, safe below 50 °C".into()];
    let (clears_in, job) = (Some(Span::secs(720)), Some(Box::new(job)));
    Announced { what, reasons, clears_in, how: None, job, ..held(true, Reason::MachineBusy) }
}

#[test]
fn the_end_of_a_job_is_told_with_what_it_took_and_what_comes_next() {
    let told = |what, how, next| built_in(&ended(what, how, next));
    assert_eq!(
        told(Announcement::Finished, JobEnd::Finished, Next::Cools),
        "Resin printer has finished after 6 h 12 min (0.74 kWh, 0.22 EUR). Cooling: 62 °C, safe below 50 °C, 12 min \
         at least."
    );
    assert_eq!(
        told(Announcement::Finished, JobEnd::Finished, Next::MayBeOff),
        "Resin printer has finished after 6 h 12 min (0.74 kWh, 0.22 EUR). It may be switched off now."
    );
    assert_eq!(
        told(Announcement::Cut, JobEnd::CutElsewhere, Next::IsOff),
        "Resin printer was cut off in the middle of its job, after 6 h 12 min (0.74 kWh, 0.22 EUR): it went off, \
         but not through Idlegate. Go and look at it."
    );
    let unseen = told(Announcement::EndedUnseen, JobEnd::Unseen, Next::IsOff);
    assert!(unseen.contains("between 02:10 and 06:40") && !unseen.contains("has finished"), "{unseen}");
    let left_on =
        told(Announcement::LeftOn { idle_for: Span::secs(3_600) }, JobEnd::Finished, Next::MayBeOff);
    assert_eq!(left_on, "Resin printer is still on, and has been idle for 1 h since its job.");
}

#[test]
fn in_shadow_mode_it_is_said_what_would_have_been_and_the_rules_have_no_words_for_that() {
    let shadow = Announced { shadow: true, ..held(true, Reason::MachineBusy) };
    let expected = "Shadow: Resin printer would have stayed on: 118 W, busy above 40 W.";
    assert_eq!(built_in(&shadow), expected);
    let own = BTreeMap::from([("held".to_owned(), "{machine} bleibt an".to_owned())]);
    assert_eq!(announcement(&shadow, &own), expected);
    let what = Announcement::Refused {
        input: InputId(1),
        kind: idlegate_guard::RequestKind::On,
        reason: Reason::Lockout,
    };
    // What its detectors say is no reason there.
    let reasons = Vec::new();
    assert_eq!(
        built_in(&Announced { what, reasons, ..shadow }),
        "Shadow: Resin printer would not have been switched on: it is locked; unlock it first."
    );
}
