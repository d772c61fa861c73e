//! The table of requests, row by row: on, off and flip. What could go wrong: power cut from a working machine, a
//! request without an answer, a switch-on that nobody asked for.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;

fn policy() -> Policy {
    Policy::default()
}

fn refreshable() -> Policy {
    Policy { can_refresh: true, ..policy() }
}

// on

#[test]
fn on_under_a_lockout_is_refused_and_said_so() {
    story(
        policy(),
        &[at(0, off()), at(100, press(Lock)), at(200, press(On))],
        &[(100, "keep lockout -, acted(locked), say locked"), (200, "refused(lockout), say refused")],
    );
}

#[test]
fn on_under_a_lockout_is_refused_even_if_the_machine_is_on() {
    story(
        policy(),
        &[at(0, on()), at(100, press(Lock)), at(200, press(On))],
        &[(100, "keep lockout -, acted(locked), say locked"), (200, "refused(lockout), say refused")],
    );
}

#[test]
fn on_of_a_machine_that_is_on_does_nothing() {
    story(policy(), &[at(0, on()), at(100, press(On))], &[(100, "nothing-to-do(already-on)")]);
}

#[test]
fn on_of_a_machine_that_is_off_switches_on_and_waits_for_the_outlet() {
    story(policy(), &[at(0, off()), at(100, press(On)), at(300, on())], &[(100, "acted(switching-on), on")]);
}

#[test]
fn on_of_an_outlet_that_says_nothing_switches_on() {
    story(policy(), &[at(100, press(On)), at(300, on())], &[(100, "acted(switching-on), on")]);
}

#[test]
fn on_while_an_on_is_under_way_does_nothing() {
    story(
        policy(),
        &[at(0, off()), at(100, press(On)), at(200, press(On).at_panel()), at(300, on())],
        &[(100, "acted(switching-on), on"), (200, "nothing-to-do(already-switching)")],
    );
}

#[test]
fn on_cancels_an_open_deferral_and_says_so() {
    story(
        policy(),
        &[at(0, on()), at(0, busy()), at(100, press(Off).by_schedule()), at(200, press(On))],
        &[
            (100, "keep - deferral, deferred(until-idle), say deferred"),
            (200, "keep - -, say deferral-cancelled, acted(deferral-cancelled)"),
        ],
    );
}

#[test]
fn on_of_an_unknown_outlet_cancels_an_open_deferral_before_it_switches() {
    story(
        policy(),
        &[at(0, busy()), at(100, press(OffOnceIdle)), at(200, press(On)), at(300, on())],
        &[
            (100, "keep - deferral, deferred(until-idle), say deferred"),
            (200, "keep - -, say deferral-cancelled, acted(switching-on), on"),
        ],
    );
}

#[test]
fn a_machine_is_switched_on_only_from_where_it_may_be() {
    story(
        Policy { on_from: Places::BESIDE, ..policy() },
        &[at(0, off()), at(100, press(On)), at(200, press(On).by_phone()), at(300, press(On).beside())],
        &[
            (100, "refused(on-not-from-here), say refused"),
            (200, "refused(on-not-from-here), say refused"),
            (300, "acted(switching-on), on"),
        ],
    );
    story(
        Policy { on_from: Places::NONE, ..policy() },
        &[at(0, off()), at(300, press(On).beside())],
        &[(300, "refused(on-not-from-here), say refused")],
    );
}

#[test]
fn on_without_its_permit_is_refused_and_with_it_acts() {
    story(
        Policy { on_needs_permit: true, ..policy() },
        &[
            at(0, off()),
            at(100, press(On)),
            at(5_000, Step::Permit(true)),
            at(5_100, press(On)),
            at(5_200, on()),
        ],
        &[(100, "refused(on-permit-missing), say refused"), (5_100, "acted(switching-on), on")],
    );
}

#[test]
fn on_without_room_on_its_circuit_is_refused_and_with_it_acts() {
    story(
        policy(),
        &[
            at(0, off()),
            at(0, Step::Room(false)),
            at(100, press(On)),
            at(5_000, Step::Room(true)),
            at(5_100, press(On)),
            at(5_200, on()),
        ],
        &[(100, "refused(circuit-full), say refused"), (5_100, "acted(switching-on), on")],
    );
}

// off

#[test]
fn off_of_a_machine_that_is_off_does_nothing() {
    story(
        policy(),
        &[at(0, off()), at(0, busy()), at(100, press(Off))],
        &[(100, "nothing-to-do(already-off)")],
    );
}

#[test]
fn off_of_an_idle_machine_switches_off() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(300, off())],
        &[(100, "acted(machine-idle), off")],
    );
}

#[test]
fn off_of_an_idle_machine_whose_outlet_says_nothing_switches_off() {
    story(
        policy(),
        &[at(0, clear()), at(100, press(Off)), at(300, off())],
        &[(100, "acted(machine-idle), off")],
    );
}

#[test]
fn a_second_off_while_the_first_is_under_way_does_nothing() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(200, press(Off).at_panel()), at(300, off())],
        &[(100, "acted(machine-idle), off"), (200, "nothing-to-do(already-switching)")],
    );
}

#[test]
fn press_while_the_machine_works_holds_and_opens_the_window() {
    story(
        policy(),
        &[at(0, on()), at(0, busy()), at(100, press(Off)), at(20_000, Step::Wait)],
        &[(100, "held(machine-busy), say held"), (10_100, "say window-over")],
    );
}

#[test]
fn press_while_nobody_knows_whether_the_machine_works_is_held_too() {
    for doubt in [None, Some(unknown()), Some(clear().valid_for(100)), Some(clear().valid_for(0))] {
        let mut steps = vec![at(0, on())];
        steps.extend(doubt.map(|doubt| at(0, doubt)));
        steps.extend([at(100, press(Off)), at(200, off())]);
        story(
            policy(),
            &steps,
            &[(100, "held(machine-unknown), say held"), (200, "incident off-by-another-route!")],
        );
    }
}

#[test]
fn off_by_a_schedule_while_the_machine_works_is_deferred() {
    for verdict in [busy(), unknown()] {
        story(
            policy(),
            &[at(0, on()), at(0, verdict), at(100, press(Off).by_schedule())],
            &[(100, "keep - deferral, deferred(until-idle), say deferred")],
        );
    }
}

#[test]
fn off_by_a_guest_is_held_and_opens_a_window_for_nobody() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off).by_guest()),
            at(200, press(ForceOff).by_guest()),
            at(300, press(ForceOff)),
            at(20_000, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (200, "refused(may-not-force), say refused"),
            (300, "held(machine-busy), say held"),
            (10_300, "say window-over"),
        ],
    );
}

#[test]
fn off_while_an_on_is_under_way_is_guarded_like_any_off() {
    story(
        policy(),
        &[
            at(0, off()),
            at(0, busy()),
            at(100, press(On)),
            at(200, press(Off)),
            at(300, on()),
            at(400, off()),
        ],
        &[
            (100, "acted(switching-on), on"),
            (200, "held(machine-busy), say held"),
            (400, "incident off-by-another-route!"),
        ],
    );
}

// flip

#[test]
fn flip_of_a_machine_that_is_off_is_an_on() {
    story(
        policy(),
        &[at(0, off()), at(0, busy()), at(100, press(Flip)), at(200, on())],
        &[(100, "acted(switching-on), on")],
    );
}

#[test]
fn flip_under_a_lockout_does_not_switch_on() {
    story(
        policy(),
        &[at(0, off()), at(100, press(Lock)), at(200, press(Flip))],
        &[(100, "keep lockout -, acted(locked), say locked"), (200, "refused(lockout), say refused")],
    );
}

#[test]
fn flip_of_a_machine_that_is_on_is_an_off_and_guarded() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Flip)),
            at(3_000, clear()),
            at(3_100, press(Flip)),
            at(3_200, off()),
        ],
        &[(100, "held(machine-busy), say held"), (3_100, "acted(machine-idle), off")],
    );
}

#[test]
fn flip_while_an_off_is_under_way_does_not_switch_on_again() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(200, press(Flip)), at(300, off())],
        &[(100, "acted(machine-idle), off"), (200, "nothing-to-do(already-switching)")],
    );
}

#[test]
fn flip_while_an_on_is_under_way_is_a_guarded_off() {
    story(
        policy(),
        &[at(0, off()), at(0, clear()), at(100, press(On)), at(200, press(Flip)), at(300, off())],
        &[(100, "acted(switching-on), on"), (200, "acted(machine-idle), off")],
    );
}

#[test]
fn flip_of_an_unknown_outlet_asks_first_and_then_is_a_guarded_off() {
    story(
        refreshable(),
        &[at(0, clear()), at(100, press(Flip)), at(300, clear()), at(400, off())],
        &[(100, "refresh"), (300, "acted(machine-idle), off")],
    );
    story(
        refreshable(),
        &[at(0, clear()), at(100, press(Flip)), at(300, busy()), at(400, Step::Wait)],
        &[(100, "refresh"), (300, "held(machine-busy), say held")],
    );
}

#[test]
fn flip_of_an_unknown_outlet_that_cannot_be_asked_is_a_guarded_off() {
    story(policy(), &[at(0, busy()), at(100, press(Flip))], &[(100, "held(machine-busy), say held")]);
    story(policy(), &[at(0, clear()), at(100, press(Flip))], &[(100, "acted(machine-idle), off")]);
}

#[test]
fn flip_of_an_unknown_outlet_that_turns_out_off_switches_nothing() {
    story(
        refreshable(),
        &[at(0, clear()), at(100, press(Flip)), at(300, off()), at(2_000, Step::Wait)],
        &[(100, "refresh"), (300, "nothing-to-do(already-off)")],
    );
}

// hours

#[test]
fn out_of_hours_what_switches_is_refused_each_time() {
    for kind in [On, Off, Flip, OffOnceIdle, Unlock] {
        story(
            policy(),
            &[
                at(0, on()),
                at(0, clear()),
                at(100, press(kind).out_of_hours()),
                at(600, press(kind).out_of_hours()),
            ],
            &[(100, "refused(out-of-hours), say refused"), (600, "refused(out-of-hours), say refused")],
        );
    }
}

#[test]
fn the_hour_is_no_matter_for_force_cancel_and_lock() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Cancel).out_of_hours()),
            at(200, press(ForceOff).out_of_hours()),
            at(3_000, press(ForceOff).out_of_hours()),
            at(3_100, off()),
            at(4_000, press(Lock).out_of_hours()),
        ],
        &[
            (100, "nothing-to-do(nothing-to-cancel)"),
            (200, "held(machine-busy), say held"),
            (3_000, "acted(forced-in-window), off!forced, say forced"),
            (4_000, "keep lockout -, acted(locked), say locked"),
        ],
    );
}
