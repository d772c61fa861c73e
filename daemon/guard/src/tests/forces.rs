//! The table of requests: force-off. What could go wrong: it acts for the wrong hand, or not for the right one.

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
fn force_inside_the_window_switches_off_whatever_the_machine_does() {
    for verdict in [busy(), unknown(), clear().unseen_ago(50)] {
        story(
            policy(),
            &[
                at(0, on()),
                at(0, busy()),
                at(100, press(Off)),
                at(2_000, verdict),
                at(2_100, press(ForceOff)),
                at(2_200, off()),
            ],
            &[
                (100, "held(machine-busy), say held"),
                (2_100, "acted(forced-in-window), off!forced, say forced"),
            ],
        );
    }
}

#[test]
fn force_of_an_idle_machine_is_a_plain_off() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(ForceOff)), at(200, off())],
        &[(100, "acted(machine-idle), off")],
    );
}

#[test]
fn force_without_a_window_is_held_and_the_second_deliberate_one_acts() {
    story(
        policy(),
        &[at(0, on()), at(0, busy()), at(100, press(ForceOff)), at(2_100, press(ForceOff)), at(2_200, off())],
        &[(100, "held(machine-busy), say held"), (2_100, "acted(forced-in-window), off!forced, say forced")],
    );
}

#[test]
fn force_by_an_input_that_may_not_is_refused_in_and_out_of_a_window_and_of_an_idle_machine() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(ForceOff).by_guest()),
            at(2_200, press(Off)),
            at(2_300, press(ForceOff).by_guest()),
            at(4_000, clear()),
            at(4_500, press(ForceOff).by_guest()),
        ],
        &[
            (100, "refused(may-not-force), say refused"),
            (2_200, "held(machine-busy), say held"),
            (2_300, "refused(may-not-force), say refused"),
            (4_500, "refused(may-not-force), say refused"),
        ],
    );
}

#[test]
fn a_second_force_of_an_outlet_that_says_off_sends_the_off_all_the_same() {
    // It harms nobody if the outlet is right, and switches the machine off if it is wrong.
    story(
        policy(),
        &[
            at(0, off()),
            at(0, busy()),
            at(100, press(ForceOff)),
            // Its word, said again, shuts nothing.
            at(1_000, off()),
            at(2_200, press(ForceOff)),
            at(2_300, off()),
        ],
        &[
            (100, "nothing-to-do(already-off), say says-off"),
            (2_200, "acted(forced-in-window), off!forced, say forced"),
        ],
    );
}

#[test]
fn whoever_leaves_it_at_one_force_of_an_outlet_that_says_off_hears_no_more_of_it() {
    story(
        policy(),
        &[at(0, off()), at(0, busy()), at(100, press(ForceOff)), at(30_000, Step::Wait)],
        &[(100, "nothing-to-do(already-off), say says-off")],
    );
}

#[test]
fn force_waits_for_no_detector() {
    // The verdict has not seen the newest reading: held at once, not made to wait.
    story(
        policy(),
        &[at(0, on()), at(0, clear().unseen_ago(0)), at(100, press(ForceOff))],
        &[(100, "held(machine-unknown), say held")],
    );
    story(
        refreshable(),
        &[at(0, on()), at(0, clear().as_of_ago(20_000)), at(100, press(ForceOff))],
        &[(100, "held(machine-unknown), say held")],
    );
}

#[test]
fn two_forces_in_one_window_are_one_off() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(2_000, press(ForceOff)),
            at(2_100, press(ForceOff).at_panel()),
            at(2_200, off()),
            at(2_300, press(ForceOff).at_panel().gesture(50)),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (2_000, "acted(forced-in-window), off!forced, say forced"),
            (2_100, "nothing-to-do(already-switching)"),
            (2_300, "nothing-to-do(already-off), say says-off"),
        ],
    );
}

#[test]
fn a_plain_off_under_way_does_not_stand_in_the_way_of_a_force() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(200, busy()),
            at(300, press(ForceOff)),
            at(2_400, press(ForceOff)),
            at(2_500, off()),
        ],
        &[
            (100, "acted(machine-idle), off"),
            (300, "held(machine-busy), say held"),
            (2_400, "acted(forced-in-window), off!forced, say forced"),
        ],
    );
}

#[test]
fn force_takes_over_from_an_on_under_way() {
    story(
        policy(),
        &[
            at(0, off()),
            at(0, busy()),
            at(100, press(On)),
            at(200, press(ForceOff)),
            at(2_300, press(ForceOff)),
            at(2_400, off()),
            at(9_000, Step::Wait),
        ],
        &[
            (100, "acted(switching-on), on"),
            (200, "held(machine-busy), say held"),
            (2_300, "acted(forced-in-window), off!forced, say forced"),
        ],
    );
}

// An outlet that says off while the meter goes on saying otherwise.

#[test]
fn an_outlet_wrongly_believed_off_can_still_be_forced() {
    story(
        policy(),
        &[
            at(0, off()),
            at(100, Step::Draw(true)),
            // Until then it may only be the draw that falls.
            at(10_000, press(ForceOff)),
            at(20_000, press(ForceOff)),
            // Its repeated word does not shut the way out.
            at(22_000, off()),
            at(23_000, press(ForceOff)),
            at(44_000, Step::Wait),
        ],
        &[
            (10_000, "nothing-to-do(already-off), say says-off"),
            (15_000, "incident still-drawing!"),
            (20_000, "held(machine-unknown), say held"),
            (23_000, "acted(forced-in-window), off!forced, say forced"),
            (28_000, "off!forced/1"),
            (33_000, "off!forced/2"),
            (38_000, "off!forced/3"),
            (43_000, "incident not-confirmed!"),
        ],
    );
}

#[test]
fn a_force_inside_the_window_acts_even_once_the_draw_has_fallen() {
    story(
        policy(),
        &[
            at(0, off()),
            at(100, Step::Draw(true)),
            at(20_000, press(ForceOff)),
            at(21_000, Step::Draw(false)),
            at(23_000, press(ForceOff)),
            at(31_000, Step::Wait),
        ],
        &[
            (15_000, "incident still-drawing!"),
            (20_000, "held(machine-unknown), say held"),
            (21_000, "over still-drawing"),
            (23_000, "acted(forced-in-window), off!forced, say forced"),
            (28_000, "off!forced/1"),
        ],
    );
}

/// A machine that only caution holds, and what comes of a force a tenth of a second later.
#[test]
fn a_force_waits_for_no_caution_but_for_everything_else() {
    let held = "held(machine-busy), say held";
    let stale = "held(machine-unknown), say held";
    for (policy, verdict, expected) in [
        (policy(), held_longer(), "acted(machine-idle), off!forced"),
        (policy(), busy(), held),
        (policy(), held_longer().unseen_ago(50), held),
        (policy(), held_longer().valid_for(100), stale),
        (policy(), held_longer().valid_for(101), "acted(machine-idle), off!forced"),
        (refreshable(), held_longer().as_of_ago(20_000), held),
    ] {
        let mut bench = vec![at(0, on()), at(0, verdict), at(100, press(ForceOff))];
        if expected.starts_with("acted") {
            bench.push(at(101, off()));
        }
        story(policy, &bench, &[(100, expected)]);
    }
}

#[test]
fn what_only_caution_holds_is_held_against_an_off_and_its_window_ends_with_the_force() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, held_longer()),
            at(100, press(Off).by_phone()),
            // Without its token, which nobody needs for that.
            at(2_500, press(ForceOff).by_phone()),
            at(2_600, off()),
            at(120_000, Step::Wait),
        ],
        &[(100, "held(machine-busy), say held"), (2_500, "acted(machine-idle), off!forced")],
    );
}
