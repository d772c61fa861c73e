//! Messages as they come: old ones, stored ones, doubled ones, out of order. What could go wrong: a request that
//! nobody stands behind is obeyed, or a real one is lost.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;

fn policy() -> Policy {
    Policy::default()
}

#[test]
fn a_stored_request_is_ignored_whatever_it_asks() {
    for kind in RequestKind::ALL.into_iter().filter(|kind| *kind != EmergencyOff) {
        story(
            policy(),
            &[at(0, on()), at(0, clear()), at(100, press(kind).retained()), at(30_000, Step::Wait)],
            &[(100, "ignored(retained)")],
        );
    }
}

#[test]
fn a_request_that_waited_too_long_is_ignored_whatever_it_asks() {
    for kind in RequestKind::ALL.into_iter().filter(|kind| *kind != EmergencyOff) {
        story(
            policy(),
            &[at(0, on()), at(0, clear()), at(100, press(kind).aged(1_001)), at(30_000, Step::Wait)],
            &[(100, "ignored(too-old)")],
        );
    }
}

#[test]
fn a_request_just_young_enough_is_obeyed() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off).aged(1_000)), at(200, off())],
        &[(100, "acted(machine-idle), off")],
    );
}

#[test]
fn an_old_force_does_not_use_the_window() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(5_000, press(ForceOff).aged(4_000)),
            at(9_000, Step::Wait),
        ],
        &[(100, "held(machine-busy), say held"), (5_000, "ignored(too-old)")],
    );
}

#[test]
fn a_stored_or_old_gesture_does_not_hide_the_real_one_behind_it() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off).retained()),
            at(200, press(Off).aged(5_000)),
            at(300, press(Off)),
            at(400, off()),
        ],
        &[(100, "ignored(retained)"), (200, "ignored(too-old)"), (300, "acted(machine-idle), off")],
    );
}

#[test]
fn a_stored_emergency_is_ignored_but_said_and_a_late_one_acts() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(EmergencyOff).by_alarm().retained()),
            at(200, Step::Wait),
        ],
        &[(100, "say emergency-ignored, ignored(retained)")],
    );
    story(
        policy(),
        &[at(0, on()), at(0, busy()), at(100, press(EmergencyOff).by_alarm().aged(60_000)), at(200, off())],
        &[(100, "off!emergency, keep emergency -, acted(emergency), say emergency-off")],
    );
}

#[test]
fn a_stored_emergency_by_an_input_not_declared_for_it_is_refused() {
    story(
        policy(),
        &[at(100, press(EmergencyOff).retained())],
        &[(100, "refused(may-not-emergency), say refused")],
    );
}

#[test]
fn five_edges_of_a_bouncing_contact_are_one_request() {
    let steps: Vec<_> = [at(0, on()), at(0, busy())]
        .into_iter()
        .chain((0..5).map(|edge| at(100 + edge * 20, press(Off))))
        .collect();
    story(
        policy(),
        &steps,
        &[
            (100, "held(machine-busy), say held"),
            (120, "ignored(repeated)"),
            (140, "ignored(repeated)"),
            (160, "ignored(repeated)"),
            (180, "ignored(repeated)"),
        ],
    );
}

#[test]
fn a_doubled_delivery_of_a_flip_does_not_flip_back() {
    story(
        policy(),
        &[
            at(0, off()),
            at(0, clear()),
            at(100, press(Flip)),
            at(150, on()),
            at(160, press(Flip)),
            at(200, Step::Wait),
        ],
        &[(100, "acted(switching-on), on"), (160, "ignored(repeated)")],
    );
}

#[test]
fn a_phrase_that_the_voice_relay_says_three_times_is_one_wish() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off).by_schedule()),
            at(900, press(Off).by_schedule()),
            at(1_700, press(Off).by_schedule()),
        ],
        &[
            (100, "keep - deferral, deferred(until-idle), say deferred"),
            (900, "ignored(repeated)"),
            (1_700, "ignored(repeated)"),
        ],
    );
}

#[test]
fn the_repeat_guard_slides_and_ends_two_seconds_after_the_last_repeat() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(0, press(Off)),
            at(1_999, press(Off)),
            at(3_998, press(Off)),
            at(5_998, press(Off)),
        ],
        &[
            (0, "held(machine-busy), say held"),
            (1_999, "ignored(repeated)"),
            (3_998, "ignored(repeated)"),
            (5_998, "held(machine-busy), say held"),
        ],
    );
}

#[test]
fn other_gestures_and_other_inputs_are_never_taken_for_repeats() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(200, press(Off).gesture(40)),
            at(300, press(Off).at_panel()),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (200, "held(machine-busy), say held"),
            (300, "held(machine-busy), say held"),
        ],
    );
}

#[test]
fn a_stuck_button_is_one_press_then_told_once_then_ignored() {
    let steps: Vec<_> = [at(0, on()), at(0, busy())]
        .into_iter()
        .chain((0..3_600).map(|nth| at(nth * 1_000, press(Off))))
        .collect();
    let expected: Vec<(u64, String)> = (0..3_600)
        .map(|nth| {
            let words = match nth {
                0 => "held(machine-busy), say held",
                10 => "say window-over, ignored(repeated)",
                30 => "say stuck-input, ignored(repeated)",
                _ => "ignored(repeated)",
            };
            (nth * 1_000, words.to_owned())
        })
        .collect();
    let expected: Vec<(u64, &str)> = expected.iter().map(|(at, words)| (*at, words.as_str())).collect();
    story(policy(), &steps, &expected);
}

#[test]
fn a_gesture_of_somebody_who_may_not_takes_no_place_and_is_refused_each_time() {
    story(
        policy(),
        &[at(0, press(Lock).by_guest()), at(500, press(Lock).by_guest())],
        &[(0, "refused(may-not-lock), say refused"), (500, "refused(may-not-lock), say refused")],
    );
}

#[test]
fn more_gestures_at_once_than_hands_can_make_are_ignored_but_an_emergency_is_not() {
    let flood = (0..24).map(|nth| at(100, press(Cancel).gesture(100 + nth)));
    let last = [
        at(101, press(Cancel).gesture(200)),
        at(102, press(EmergencyOff).by_alarm()),
        at(110, off()),
        at(2_100, press(Cancel).gesture(200)),
    ];
    let steps: Vec<_> = [at(0, on())].into_iter().chain(flood).chain(last).collect();
    let nothing = vec!["nothing-to-do(nothing-to-cancel)"; 24].join(", ");
    story(
        policy(),
        &steps,
        &[
            (100, &nothing),
            (101, "ignored(too-many)"),
            (102, "off!emergency, keep emergency -, acted(emergency), say emergency-off"),
            (2_100, "nothing-to-do(nothing-to-cancel)"),
        ],
    );
}

#[test]
fn two_requests_in_either_order_are_each_judged_on_their_own() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(101, press(On)), at(150, on())],
        &[(100, "acted(machine-idle), off"), (101, "acted(switching-on), on")],
    );
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(On)), at(101, press(Off)), at(150, off())],
        &[(100, "nothing-to-do(already-on)"), (101, "acted(machine-idle), off")],
    );
}

#[test]
fn an_older_verdict_never_replaces_a_newer_one_and_the_later_of_two_equal_ones_counts() {
    story(
        policy(),
        &[at(0, on()), at(500, busy()), at(600, clear().assessed_ago(101)), at(700, press(Off))],
        &[(700, "held(machine-busy), say held")],
    );
    story(
        policy(),
        &[at(0, on()), at(500, clear()), at(500, busy()), at(700, press(Off))],
        &[(700, "held(machine-busy), say held")],
    );
}

#[test]
fn an_older_outlet_report_never_replaces_a_newer_one() {
    story(
        policy(),
        &[
            at(0, off()),
            at(0, clear()),
            at(1_000, press(On)),
            at(1_200, on()),
            at(1_300, Step::LateOutlet(Some(Switch::Off), 101)),
            at(1_400, press(On).at_panel()),
        ],
        &[(1_000, "acted(switching-on), on"), (1_400, "nothing-to-do(already-on)")],
    );
}

#[test]
fn a_verdict_is_worth_nothing_from_the_moment_its_readings_are_stale() {
    let steps = |press_at| {
        vec![
            at(0, on()),
            at(0, clear().valid_for(5_000)),
            at(press_at, press(Off)),
            at(press_at + 100, Step::Wait),
        ]
    };
    story(policy(), &steps(4_999), &[(4_999, "acted(machine-idle), off")]);
    story(policy(), &steps(5_000), &[(5_000, "held(machine-unknown), say held")]);
}

#[test]
fn a_report_or_verdict_from_the_future_does_not_stand_in_the_way_of_the_next() {
    let mut bench = Bench::new(policy(), Kept::default());
    let ahead = bench.now + crate::time::Span::secs(3_600);
    bench.give(Input::Outlet(OutletReport { state: Some(Switch::Off), at: ahead }));
    bench.give(Input::Permissive(Permissive {
        state: PermissiveState::Clear,
        assessed_at: ahead,
        ..Permissive::UNKNOWN
    }));
    for step in [at(1_000, on()), at(1_000, busy())] {
        bench.play(step);
    }
    assert_eq!(bench.guard.outlet(), Some(Switch::On));
    assert_eq!(bench.guard.permissive().state, PermissiveState::Busy);
}

#[test]
fn an_old_emergency_is_obeyed_and_one_of_another_day_is_told_instead() {
    // Fifteen minutes: somebody may still be waiting for it. Later it would end whatever job runs by then.
    story(
        policy(),
        &[at(0, on()), at(100, press(EmergencyOff).by_alarm().aged(900_000)), at(200, off())],
        &[(100, "off!emergency, keep emergency -, acted(emergency), say emergency-off")],
    );
    story(
        policy(),
        &[at(0, on()), at(100, press(EmergencyOff).by_alarm().aged(900_001))],
        &[(100, "say emergency-too-old, ignored(too-old)")],
    );
}
