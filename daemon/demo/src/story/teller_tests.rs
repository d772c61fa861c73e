//! What could go wrong: a story that is content with a daemon that answers wrongly, twice or not at all.

use super::*;
use crate::workshop::Truth;
use idlegate_guard::Switch;

fn story(beats: Vec<Beat>) -> Story {
    let scene = Scene::new("A scene", &["mill"], beats);
    Story { prefix: "p", opening: "Once.", before: vec![], scenes: vec![scene], closing: "The end." }
}

fn decision(teller: &mut Teller, decision: &str, reason: &str) {
    let payload = serde_json::json!({
        "machine": "mill", "decision": decision, "reason": reason, "sentence": format!("Mill: {decision}"),
    });
    teller.hear("p/decision", payload.to_string().as_bytes());
}

fn view(relay: Switch) -> Vec<View> {
    vec![View { machine: "mill", relay, truth: Truth::Idle, watts: 48.0, jobs_cut: 0 }]
}

fn lines(told: &[Telling]) -> String {
    let line = |told: &Telling| match told {
        Telling::Line(line) => format!("{line}\n"),
        Telling::Do(doing) => format!("[{doing:?}]\n"),
    };
    told.iter().map(line).collect()
}

fn pressed() -> Vec<Beat> {
    vec![
        Beat::Say("Somebody presses."),
        Beat::send("b", "press"),
        Beat::answer("mill", "acted", "machine-idle"),
        Beat::See(Condition::Relay("mill", Switch::Off), "It is off."),
    ]
}

#[test]
fn a_scene_that_goes_as_it_should_reads_like_one() {
    let mut teller = Teller::new(story(pressed()), Page::PLAIN, Moment(0));
    let begun = lines(&teller.proceed(Moment(0), &view(Switch::On)));
    assert_eq!(
        begun,
        "Once.\n\n1. A scene\n   Somebody presses.\n[Send { topic: \"b\", payload: \"press\" }]\n"
    );
    decision(&mut teller, "acted", "machine-idle");
    assert_eq!(lines(&teller.proceed(Moment(100), &view(Switch::On))), "   acted     Mill: acted\n");
    let ended = lines(&teller.proceed(Moment(200), &view(Switch::Off)));
    assert_eq!(ended, "   seen      It is off.\n\nAll 1 episodes went as they should. The end.\n");
    assert_eq!(teller.outcome(), Some(Outcome { right: 1, wrong: 0 }));
}

#[test]
fn another_answer_than_the_expected_one_is_wrong() {
    let mut teller = Teller::new(story(pressed()), Page::PLAIN, Moment(0));
    teller.proceed(Moment(0), &view(Switch::On));
    decision(&mut teller, "held", "machine-unknown");
    assert!(teller.proceed(Moment(11_999), &view(Switch::Off)).is_empty());
    let told = lines(&teller.proceed(Moment(12_000), &view(Switch::Off)));
    assert!(told.contains("WRONG") && told.contains("held (machine-unknown)"), "{told}");
    assert_eq!(teller.outcome(), Some(Outcome { right: 0, wrong: 1 }));
}

#[test]
fn an_answer_without_the_deed_is_wrong() {
    let mut teller = Teller::new(story(pressed()), Page::PLAIN, Moment(0));
    teller.proceed(Moment(0), &view(Switch::On));
    decision(&mut teller, "acted", "machine-idle");
    teller.proceed(Moment(100), &view(Switch::On));
    teller.proceed(Moment(12_100), &view(Switch::On));
    assert_eq!(teller.outcome(), Some(Outcome { right: 0, wrong: 1 }));
}

#[test]
fn a_second_answer_to_one_request_is_wrong() {
    let mut teller = Teller::new(story(pressed()), Page::PLAIN, Moment(0));
    teller.proceed(Moment(0), &view(Switch::On));
    decision(&mut teller, "acted", "machine-idle");
    decision(&mut teller, "acted", "machine-idle");
    let told = lines(&teller.proceed(Moment(100), &view(Switch::Off)));
    assert!(told.contains("nobody asked for this answer"), "{told}");
    assert_eq!(teller.outcome(), Some(Outcome { right: 0, wrong: 1 }));
}

#[test]
fn what_is_said_again_and_again_is_counted() {
    let mut beats = vec![Beat::answer("mill", "held", "machine-busy")];
    beats.extend((0..3).map(|_| Beat::answer("mill", "ignored", "repeated")));
    let mut teller = Teller::new(story(beats), Page::PLAIN, Moment(0));
    teller.proceed(Moment(0), &[]);
    decision(&mut teller, "held", "machine-busy");
    for _ in 0..3 {
        decision(&mut teller, "ignored", "repeated");
    }
    let told = lines(&teller.proceed(Moment(10), &[]));
    assert!(told.contains("   ignored   Mill: ignored\n             ... and 2 more times.\n"), "{told}");
    assert_eq!(teller.outcome(), Some(Outcome { right: 1, wrong: 0 }));
}
