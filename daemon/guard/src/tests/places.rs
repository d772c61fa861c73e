//! A window is for those who were told. What could go wrong: somebody without rights keeps one open for a stray press,
//! a phone far away forces what it was told nothing of, and whoever means it is shut out by others who ask as well.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Span;

fn policy() -> Policy {
    Policy::default()
}

const HELD: &str = "held(machine-busy), say held";
const FORCED: &str = "acted(forced-in-window), off!forced, say forced";

fn after(steps: &[(u64, Step)]) -> Vec<(u64, Step)> {
    [&[at(0, on()), at(0, busy())], steps].concat()
}

#[test]
fn an_input_that_may_not_force_opens_no_window() {
    // A guest's panel asks every three seconds, and one stray long press comes at the bench.
    let mut steps = after(&[]);
    let mut expected = Vec::new();
    for nth in 0..20 {
        steps.push(at(100 + nth * 3_000, press(Off).by_guest()));
        expected.push((100 + nth * 3_000, HELD));
    }
    steps.push(at(58_000, press(ForceOff)));
    expected.push((58_000, HELD));
    story(policy(), &steps, &expected);
}

#[test]
fn a_window_counts_for_its_place_and_no_other() {
    for (first, second, acts) in [
        (press(Off), press(ForceOff).at_panel(), true),
        (press(Off), press(ForceOff).beside(), false),
        (press(Off).beside(), press(ForceOff), false),
        (press(Off), press(ForceOff).by_phone(), false),
        (press(Off).by_phone(), press(ForceOff), false),
    ] {
        let steps = after(&[at(100, first), at(2_500, second), at(2_600, off())]);
        let lost = "incident off-by-another-route!";
        let expected = if acts {
            vec![(100, HELD), (2_500, FORCED)]
        } else {
            vec![(100, HELD), (2_500, HELD), (2_600, lost)]
        };
        story(policy(), &steps, &expected);
    }
}

#[test]
fn nobody_replaces_or_closes_the_window_of_another_place() {
    story(
        policy(),
        &after(&[
            at(100, press(Off).beside()),
            at(1_000, press(Off)),
            at(1_500, press(Off).by_phone()),
            at(2_000, press(On)),
            at(3_000, press(ForceOff).beside()),
            at(3_100, off()),
        ]),
        &[(100, HELD), (1_000, HELD), (1_500, HELD), (2_000, "nothing-to-do(already-on)"), (3_000, FORCED)],
    );
}

#[test]
fn others_who_want_it_on_every_moment_do_not_shut_out_a_person_who_forces() {
    let mut steps = after(&[at(100, press(ForceOff))]);
    let mut expected = vec![(100, HELD)];
    for nth in 0..4 {
        let when = 300 + nth * 600;
        steps.push(at(when, press(On).by_guest().gesture(u16::try_from(60 + nth).unwrap())));
        expected.push((when, "nothing-to-do(already-on)"));
    }
    steps.extend([at(2_200, press(ForceOff)), at(2_300, off())]);
    expected.push((2_200, FORCED));
    story(policy(), &steps, &expected);
}

#[test]
fn each_opener_has_its_own_pause_whoever_else_asks_in_between() {
    // The button reports one long press as two gestures, and somebody at the panel asks just then.
    story(
        policy(),
        &after(&[
            at(100, press(Off)),
            at(300, press(Off).at_panel()),
            at(600, press(ForceOff)),
            at(700, Step::Wait),
        ]),
        &[(100, HELD), (300, HELD), (600, "ignored(same-gesture)")],
    );
}

#[test]
fn an_input_that_asks_all_day_opens_windows_for_itself_alone() {
    // Its first three count for the others of its place.
    let mut steps = after(&[]);
    let mut expected = Vec::new();
    for nth in 0..10 {
        steps.push(at(100 + nth * 3_000, press(Off).at_panel()));
        expected.push((100 + nth * 3_000, HELD));
    }
    // The third was over at 16.1 s. The stray press opens the bench button's own window, and nothing else.
    steps.push(at(20_000, press(ForceOff)));
    expected.push((20_000, HELD));
    // Its own way out is open as ever.
    steps.extend([at(28_500, press(ForceOff).at_panel()), at(28_600, off())]);
    expected.push((28_500, FORCED));
    steps.sort_by_key(|(at, _)| *at);
    expected.sort_by_key(|(at, _)| *at);
    story(policy(), &steps, &expected);
}

#[test]
fn after_a_while_of_quiet_its_windows_count_for_all_again() {
    let mut steps = after(&[]);
    let mut expected = Vec::new();
    for nth in 0..4 {
        steps.push(at(100 + nth * 3_000, press(Off).at_panel()));
        expected.push((100 + nth * 3_000, HELD));
    }
    expected.push((19_100, "say window-over"));
    steps.extend([at(61_000, press(Off).at_panel()), at(63_000, press(ForceOff)), at(63_100, off())]);
    expected.extend([(61_000, HELD), (63_000, FORCED)]);
    story(policy(), &steps, &expected);
}

// From afar.

#[test]
fn a_remote_force_needs_the_token_of_its_own_answer() {
    for (confirm, acts) in [
        (Confirms::Nothing, false),
        (Confirms::Nonsense, false),
        (Confirms::LastOf(OTHER_PHONE), false),
        (Confirms::OwnLast, true),
    ] {
        let steps = after(&[
            at(100, press(Off).by_phone()),
            at(200, press(Off).by_phone().by(OTHER_PHONE)),
            at(30_000, press(ForceOff).by_phone().with(confirm)),
            at(30_100, Step::Wait),
        ]);
        let last = if acts { FORCED } else { HELD };
        story(policy(), &steps, &[(100, HELD), (200, HELD), (30_000, last)]);
    }
}

#[test]
fn a_token_is_good_for_its_own_window_and_once() {
    let force = || press(ForceOff).by_phone().with(Confirms::OwnLast);
    story(
        policy(),
        &after(&[at(100, press(Off).by_phone()), at(60_099, force()), at(60_200, off())]),
        &[(100, HELD), (60_099, FORCED)],
    );
    story(
        policy(),
        &after(&[at(100, press(Off).by_phone()), at(60_100, force()), at(60_200, Step::Wait)]),
        &[(100, HELD), (60_100, "say window-over, held(machine-busy), say held")],
    );
    story(
        policy(),
        &after(&[
            at(100, press(Off).by_phone()),
            at(3_000, force()),
            at(3_100, off()),
            at(3_200, on()),
            at(5_100, force()),
            at(5_200, Step::Wait),
        ]),
        &[(100, HELD), (3_000, FORCED), (3_200, "incident on-by-another-route"), (5_100, HELD)],
    );
}

#[test]
fn several_people_behind_one_remote_input_do_not_void_each_others_tokens() {
    let mut steps = after(&[]);
    let mut expected = Vec::new();
    // One of them asked at 35.1 s and answers after 24 s; the others' requests never stop.
    for nth in 0..20 {
        steps.push(at(100 + nth * 2_500, press(Off).by_phone()));
        expected.push((100 + nth * 2_500, HELD));
    }
    let mut bench = Bench::new(policy(), Kept::default());
    let mut token = None;
    for step in steps {
        bench.play(step);
        if step.0 == 35_100 {
            token = bench.last_told(PHONE);
        }
    }
    bench.remember(OTHER_PHONE, token.expect("a token was given"));
    bench.play(at(59_000, press(ForceOff).by_phone().with(Confirms::LastOf(OTHER_PHONE))));
    assert!(bench.guard.pending().is_some_and(|pending| pending.cause == Cause::Forced));
}

#[test]
fn without_tokens_nothing_is_forced_from_afar() {
    let rights = Rights { may_force: true, place: Place::Remote, ..Rights::PLAIN };
    let request = |id, kind| Request {
        id: RequestId(id),
        kind,
        input: PHONE,
        person: Person::UNNAMED,
        gesture: GestureId(u16::try_from(id).unwrap()),
        rights,
        arrival: Arrival::LIVE,
        keep_for: None,
        offer: None,
        confirm: None,
    };
    let mut bench = Bench::new(policy(), Kept::default());
    bench.play(at(0, on()));
    for nth in 0..8 {
        let mut effects = Vec::new();
        let now = START + Span(100 + nth * 1_500);
        bench.guard.handle(now, Input::Request(request(nth, ForceOff)), &mut effects);
        assert!(!effects.iter().any(|effect| matches!(effect, Effect::Order(_))), "{effects:?}");
    }
}

// A frightened person, and a crate.

#[test]
fn whoever_holds_the_button_again_and_again_is_told_once_what_to_do_and_gets_out() {
    let mut steps = after(&[]);
    let mut expected = vec![(100, HELD)];
    for nth in 0..8 {
        steps.push(at(100 + nth * 1_500, press(ForceOff)));
    }
    for nth in 1..7 {
        let told = if nth == 2 { "say let-go, ignored(repeated)" } else { "ignored(repeated)" };
        expected.push((100 + nth * 1_500, told));
    }
    expected.push((10_100, "say window-over"));
    expected.push((10_600, "ignored(repeated)"));
    // Lets go, waits, holds again; and again, since the window was over.
    steps.extend([at(12_700, press(ForceOff)), at(15_000, press(ForceOff)), at(15_100, off())]);
    expected.extend([(12_700, HELD), (15_000, FORCED)]);
    story(policy(), &steps, &expected);
}

#[test]
fn a_crate_never_forces_however_long_it_leans() {
    for pace in [40, 700, 1_500, 1_999] {
        let mut bench = Bench::new(policy(), Kept::default());
        bench.play(at(0, on()));
        bench.play(at(0, busy()));
        for nth in 0..1_000 {
            bench.play(at(100 + nth * pace, press(ForceOff)));
            bench.play(at(100 + nth * pace, press(Off)));
            assert_eq!(bench.guard.pending(), None, "every {pace} ms, for the {nth}th time");
        }
    }
}

#[test]
fn a_crate_never_forces_when_the_line_stands_still_and_brings_all_at_once_what_it_held_back() {
    let crate_at = |when| at(when, press(ForceOff));
    let late = |age| at(4_200, press(ForceOff).aged(age));
    story(
        policy(),
        // From 700 ms on the line stands still, for three and a half seconds.
        &after(&[
            crate_at(100),
            crate_at(600),
            late(2_600),
            late(1_600),
            late(600),
            crate_at(5_100),
            at(5_200, Step::Wait),
        ]),
        &[
            (100, HELD),
            (600, "ignored(repeated)"),
            (4_200, "ignored(too-old), ignored(too-old), ignored(repeated)"),
            (5_100, "ignored(repeated)"),
        ],
    );
}

#[test]
fn whoever_held_the_button_too_long_ago_and_holds_it_again_two_seconds_later_gets_out() {
    story(
        policy(),
        &after(&[
            at(100, press(Off)),
            at(3_000, press(ForceOff).aged(1_500)),
            at(5_000, press(ForceOff)),
            at(5_100, off()),
        ]),
        &[(100, HELD), (3_000, "ignored(too-old)"), (5_000, FORCED)],
    );
}

#[test]
fn a_machine_that_people_switch_on_at_its_outlet_is_no_incident_but_under_a_lockout() {
    let by_hand = Policy { on_by_hand: true, ..policy() };
    story(by_hand, &[at(0, off()), at(100, on())], &[]);
    story(
        by_hand,
        &[at(0, off()), at(100, press(Lock)), at(200, on())],
        &[(100, "keep lockout -, acted(locked), say locked"), (200, "incident on-by-another-route!")],
    );
    // Off by another route is one in any case.
    story(by_hand, &[at(0, on()), at(100, off())], &[(100, "incident off-by-another-route!")]);
}
