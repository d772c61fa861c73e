//! The table of requests, row by row. What could go wrong: power cut from a working machine, a request without an
//! answer, a switch-on that nobody asked for.

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
        &[at(0, busy()), at(100, press(OffWhenIdle)), at(200, press(On)), at(300, on())],
        &[
            (100, "keep - deferral, deferred(until-idle), say deferred"),
            (200, "keep - -, say deferral-cancelled, acted(switching-on), on"),
        ],
    );
}

#[test]
fn a_machine_that_may_not_be_switched_on_from_afar_is_not() {
    story(
        Policy { remote_on: false, ..policy() },
        &[at(0, off()), at(100, press(On))],
        &[(100, "refused(remote-on-forbidden), say refused")],
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
fn off_by_a_guest_is_held_and_the_window_it_opens_serves_those_who_may_force() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off).by_guest()),
            at(200, press(ForceOff).by_guest()),
            at(300, press(ForceOff)),
            at(400, off()),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (200, "refused(may-not-force), say refused"),
            (300, "acted(forced-in-window), off!forced, say forced"),
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

// force-off

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
fn force_of_a_machine_that_is_off_does_nothing() {
    story(
        policy(),
        &[at(0, off()), at(0, busy()), at(100, press(ForceOff))],
        &[(100, "nothing-to-do(already-off)")],
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
            (2_300, "nothing-to-do(already-off)"),
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
            at(300, press(Unlock)),
            at(400, press(Unlock).at_panel()),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "keep lockout -, acted(locked), say locked"),
            (200, "nothing-to-do(already-locked)"),
            (300, "keep - -, acted(unlocked), say unlocked"),
            (400, "nothing-to-do(not-locked)"),
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
            at(200, press(OffWhenIdle)),
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

// words

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
    assert_eq!(guard.lockout(), Some(Lockout { by: BUTTON, emergency: false }));
    assert_eq!(guard.waiting(), 1);
    assert_eq!(guard.incidents().count(), 0);
}
