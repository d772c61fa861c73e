//! The table of requests: lock, unlock, emergency-off, cancel. What could go wrong: power comes back to a machine
//! that somebody works on, or an emergency waits for anything.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;

fn policy() -> Policy {
    Policy::default()
}

fn refreshable() -> Policy {
    Policy { can_refresh: true, ..policy() }
}

// lock and unlock

#[test]
fn lock_and_unlock_by_an_input_that_may_act_once_and_never_cut_or_give_power() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Lock)),
            at(200, press(Lock).at_panel()),
            at(250, press(Lock).at_panel().gesture(50)),
            at(300, press(Unlock)),
            at(400, press(Unlock).at_panel()),
            at(500, press(Unlock).by(BESIDE)),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "keep lockout -, acted(locked), say locked"),
            (200, "keep lockout -, acted(locked), say locked"),
            (250, "nothing-to-do(already-locked)"),
            (300, "keep lockout -, acted(lock-lifted), say lock-lifted"),
            (400, "keep - -, acted(unlocked), say unlocked"),
            (500, "nothing-to-do(not-locked)"),
        ],
    );
}

#[test]
fn lock_and_unlock_by_an_input_that_may_not_are_refused() {
    story(
        policy(),
        &[
            at(100, press(Lock).by_guest()),
            at(200, press(Unlock).by_guest()),
            at(300, press(Lock)),
            at(400, press(Unlock).by_alarm()),
            at(500, press(Lock).by_alarm()),
        ],
        &[
            (100, "refused(may-not-lock), say refused"),
            (200, "refused(may-not-unlock), say refused"),
            (300, "keep lockout -, acted(locked), say locked"),
            (400, "refused(may-not-unlock), say refused"),
            (500, "refused(may-not-lock), say refused"),
        ],
    );
}

#[test]
fn off_under_a_lockout_works_as_ever() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Lock)), at(200, press(Off)), at(300, off())],
        &[(100, "keep lockout -, acted(locked), say locked"), (200, "acted(machine-idle), off")],
    );
}

#[test]
fn an_on_under_way_is_not_sent_again_once_the_machine_is_locked() {
    story(
        policy(),
        &[at(0, off()), at(100, press(On)), at(200, press(Lock)), at(60_000, Step::Wait)],
        &[(100, "acted(switching-on), on"), (200, "keep lockout -, acted(locked), say locked")],
    );
}

#[test]
fn an_off_under_way_goes_on_when_the_machine_is_locked() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(200, press(Lock)), at(5_200, off())],
        &[
            (100, "acted(machine-idle), off"),
            (200, "keep lockout -, acted(locked), say locked"),
            (5_100, "off/1"),
        ],
    );
}

// emergency-off

const EMERGENCY: &str = "off!emergency, keep emergency -, acted(emergency), say emergency-off";

#[test]
fn emergency_is_sent_whatever_the_state() {
    let states: [&[(u64, Step)]; 6] = [
        &[],
        &[at(0, on()), at(0, busy())],
        &[at(0, on()), at(0, clear())],
        &[at(0, off())],
        &[at(0, unreachable())],
        &[at(0, Step::Link(false))],
    ];
    for state in states {
        let mut steps = state.to_vec();
        steps.push(at(100, press(EmergencyOff).by_alarm()));
        story(policy(), &steps, &[(100, EMERGENCY)]);
    }
}

#[test]
fn emergency_by_an_input_not_declared_for_it_is_refused() {
    story(
        policy(),
        &[at(0, on()), at(0, busy()), at(100, press(EmergencyOff))],
        &[(100, "refused(may-not-emergency), say refused")],
    );
}

#[test]
fn emergency_locks_and_unlock_gives_no_power_back() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(EmergencyOff).by_alarm()),
            at(200, off()),
            at(300, press(On)),
            at(400, press(Unlock)),
            at(60_000, press(On)),
            at(60_100, on()),
        ],
        &[
            (100, EMERGENCY),
            (300, "refused(lockout), say refused"),
            (400, "keep - -, acted(unlocked), say unlocked"),
            (60_000, "acted(switching-on), on"),
        ],
    );
}

#[test]
fn emergency_under_a_plain_lockout_makes_it_one_of_an_emergency() {
    story(
        policy(),
        &[at(0, on()), at(100, press(Lock)), at(200, press(EmergencyOff).by_alarm()), at(300, off())],
        &[(100, "keep lockout -, acted(locked), say locked"), (200, EMERGENCY)],
    );
}

#[test]
fn emergency_takes_the_place_of_an_open_window_a_waiting_off_and_a_deferral() {
    story(
        refreshable(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(200, press(OffOnceIdle)),
            at(20_000, Step::Wait),
            at(20_100, press(Off).at_panel()),
            at(20_200, press(EmergencyOff).by_alarm()),
            at(20_300, off()),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (200, "keep - deferral, deferred(until-idle), say deferred"),
            (10_100, "say window-over"),
            (20_100, "refresh"),
            (
                20_200,
                "off!emergency, nothing-to-do(already-switching), keep - -, keep emergency -, acted(emergency), say emergency-off",
            ),
        ],
    );
}

#[test]
fn every_press_of_an_emergency_button_is_sent() {
    story(
        policy(),
        &[
            at(0, on()),
            at(100, press(EmergencyOff).by_alarm()),
            at(150, press(EmergencyOff).by_alarm()),
            at(200, off()),
            at(250, press(EmergencyOff).by_alarm()),
            at(300, off()),
        ],
        &[(100, EMERGENCY), (150, EMERGENCY), (250, EMERGENCY)],
    );
}

// cancel

#[test]
fn cancel_without_a_deferral_does_nothing() {
    story(policy(), &[at(0, on()), at(100, press(Cancel))], &[(100, "nothing-to-do(nothing-to-cancel)")]);
}

#[test]
fn cancel_does_not_close_the_way_out() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(1_000, press(Cancel)),
            at(2_000, press(ForceOff)),
            at(2_100, off()),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (1_000, "nothing-to-do(nothing-to-cancel)"),
            (2_000, "acted(forced-in-window), off!forced, say forced"),
        ],
    );
}
