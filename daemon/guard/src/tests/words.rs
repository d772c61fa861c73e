//! Words and what is shown. What could go wrong: two things under one name.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;

fn policy() -> Policy {
    Policy::default()
}

fn refreshable() -> Policy {
    Policy { can_refresh: true, ..policy() }
}

#[test]
fn every_request_decision_and_reason_has_a_word_of_its_own() {
    for (index, reason) in Reason::ALL.into_iter().enumerate() {
        assert!(Reason::ALL[..index].iter().all(|other| other.word() != reason.word()), "{reason:?}");
        assert!(!reason.word().is_empty());
    }
    for kind in RequestKind::ALL {
        assert_eq!(RequestKind::from_word(kind.word()), Some(kind));
    }
    assert_eq!(RequestKind::from_word("off-now"), None);
}

#[test]
fn every_cause_has_a_word_and_every_announcement_names_its_input() {
    assert_eq!(
        [Cause::Plain, Cause::Forced, Cause::Emergency].map(Cause::word),
        ["plain", "forced", "emergency"]
    );
    let input = BUTTON;
    assert_eq!(Announcement::Forced { input }.input(), Some(input));
    assert_eq!(Announcement::DeferralCancelled { input: Some(input) }.input(), Some(input));
    assert_eq!(Announcement::WindowOver.input(), None);
}

#[test]
fn what_is_shown_of_a_guard_is_what_it_is() {
    let mut bench = Bench::new(refreshable(), Kept::default());
    for step in
        [at(0, on()), at(1_000, clear().as_of_ago(16_000)), at(1_100, press(Lock)), at(1_200, press(Off))]
    {
        bench.play(step);
    }
    let guard = &bench.guard;
    assert_eq!(guard.clear_since(), Some(START + crate::time::Span(1_000)));
    assert_eq!(guard.idle_for(bench.now), Some(crate::time::Span(200)));
    assert_eq!(guard.lockout(), Some(Lockout::owned(BUTTON, Person::UNNAMED)));
    assert_eq!(guard.waiting(), 1);
    assert_eq!(guard.incidents().count(), 0);
}

#[test]
fn a_machine_may_draw_unless_it_is_known_to_be_off_and_stays_off() {
    for (steps, may_draw) in [
        (vec![at(0, off())], false),
        (vec![at(0, on())], true),
        (vec![at(0, unreachable())], true),
        (vec![], true),
        (vec![at(0, off()), at(100, press(On))], true),
        (vec![at(0, on()), at(0, clear()), at(100, press(Off))], true),
        // The lock gives the on up, and the order is on its way all the same. Found by the model checker.
        (vec![at(0, off()), at(100, press(On)), at(200, press(Lock)), at(5_100, Step::Wait)], true),
        (vec![at(0, off()), at(100, press(On)), at(200, press(Lock)), at(5_101, Step::Wait)], false),
    ] {
        let mut bench = Bench::new(Policy::default(), Kept::default());
        steps.iter().for_each(|step| bench.play(*step));
        assert_eq!(bench.guard.may_draw(bench.now), may_draw, "{steps:?}");
    }
}
