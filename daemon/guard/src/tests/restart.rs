//! Starts and stops. What could go wrong: a start switches something, a lockout or a wish is forgotten, a window is
//! remembered.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Span;

fn policy() -> Policy {
    Policy::default()
}

#[test]
fn a_start_by_itself_switches_nothing_whatever_was_kept_and_whatever_is_reported() {
    let locks = Locks::from_iter([Lockout::owned(ALARM, Person::UNNAMED)]);
    for state in [on(), off(), unreachable()] {
        story_after(
            policy(),
            Kept { locks, deferral: None, kept_on: None },
            &[at(0, state), at(0, clear()), at(600_000, Step::Wait)],
            &[],
        );
    }
}

#[test]
fn a_lockout_survives_a_restart() {
    story(
        policy(),
        &[
            at(0, off()),
            at(100, press(Lock)),
            at(200, Step::Restart),
            at(200, Step::Link(true)),
            at(300, press(On)),
        ],
        &[(100, "keep lockout -, acted(locked), say locked"), (300, "refused(lockout), say refused")],
    );
}

#[test]
fn a_deferral_survives_a_restart_and_gives_its_notice_again() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off).by_schedule()),
            at(60_000, clear()),
            at(80_000, Step::Restart),
            at(80_000, Step::Link(true)),
            at(81_000, on()),
            at(81_000, clear()),
            at(121_100, off()),
        ],
        &[
            (100, "keep - deferral, deferred(until-idle), say deferred"),
            (70_000, "say deferral-notice"),
            (91_000, "say deferral-notice"),
            (121_000, "deferral-acted, off, keep - -"),
        ],
    );
}

#[test]
fn a_deferral_that_ran_out_while_the_program_was_down_is_given_up_and_said_so() {
    let deferral = Deferral { by: SCHEDULE, expires_at: START + Span(0) };
    story_after(
        policy(),
        Kept { locks: Locks::NONE, deferral: Some(deferral), kept_on: None },
        &[],
        &[(0, "keep - -, say deferral-expired")],
    );
}

#[test]
fn the_machines_own_wish_is_not_kept() {
    let policy = Policy { forgotten_after: Some(Span::secs(600)), ..policy() };
    let mut bench = Bench::new(policy, Kept::default());
    for step in [at(0, on()), at(0, clear()), at(610_000, Step::Wait)] {
        bench.play(step);
    }
    assert_eq!(bench.guard.active_deferral().map(|active| active.deferral.by), Some(InputId::IDLE_TIMER));
    assert_eq!(bench.guard.kept(), Kept::default());
}

#[test]
fn a_deferral_after_a_restart_is_moot_when_the_machine_is_off() {
    let deferral = Deferral { by: SCHEDULE, expires_at: START + Span::secs(3_600) };
    story_after(
        policy(),
        Kept { locks: Locks::NONE, deferral: Some(deferral), kept_on: None },
        &[at(100, off()), at(60_000, Step::Wait)],
        &[(100, "keep - -, say deferral-cancelled")],
    );
}

#[test]
fn waiting_requests_pending_orders_and_verdicts_are_forgotten() {
    let policy = Policy { can_refresh: true, ..policy() };
    story(
        policy,
        &[
            at(0, on()),
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(200, Step::Restart),
            at(200, Step::Link(true)),
            at(60_000, press(Off)),
            at(61_500, Step::Wait),
        ],
        &[(100, "refresh"), (60_000, "refresh"), (61_000, "held(machine-unknown), say held")],
    );
}

#[test]
fn an_emergency_off_that_a_crash_left_unconfirmed_is_told_if_the_machine_is_still_on() {
    let locks = Locks::from_iter([Lockout::emergency(ALARM)]);
    let kept = Kept { locks, deferral: None, kept_on: None };
    story_after(
        policy(),
        kept,
        &[at(100, on()), at(200, on()), at(5_000, off())],
        &[(100, "incident not-confirmed!"), (5_000, "over not-confirmed, incident off-by-another-route!")],
    );
    story_after(policy(), kept, &[at(100, off())], &[]);
}

#[test]
fn without_a_permit_told_since_the_start_nothing_is_switched_on() {
    story(
        Policy { on_needs_permit: true, ..policy() },
        &[at(0, Step::Permit(true)), at(100, Step::Restart), at(100, Step::Link(true)), at(200, press(On))],
        &[(200, "refused(on-permit-missing), say refused")],
    );
}

#[test]
fn a_stop_closes_the_window_aloud_and_answers_what_waits() {
    let policy = Policy { can_refresh: true, ..policy() };
    story(
        policy,
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(ForceOff)),
            at(200, busy().as_of_ago(16_000)),
            at(300, press(Off)),
            at(400, Step::Retire),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (300, "refresh"),
            (400, "say window-over, ignored(superseded)"),
        ],
    );
}

#[test]
fn a_stop_switches_nothing_and_says_nothing_of_what_is_kept() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(OffOnceIdle)),
            at(200, Step::Retire),
            at(600_000, clear()),
        ],
        &[(100, "keep - deferral, deferred(until-idle), say deferred")],
    );
}

#[test]
fn a_lockout_read_late_is_in_force_and_stops_an_on_under_way() {
    let kept = Kept {
        locks: Locks::from_iter([Lockout::owned(PANEL, Person::UNNAMED)]),
        deferral: None,
        kept_on: None,
    };
    story(
        policy(),
        &[
            at(0, off()),
            at(100, press(On)),
            at(200, Step::Recall(kept)),
            at(9_000, press(On)),
            at(9_100, Step::Wait),
        ],
        &[
            (100, "acted(switching-on), on"),
            (200, "keep lockout -"),
            (9_000, "refused(lockout), say refused"),
        ],
    );
}

#[test]
fn an_off_under_way_goes_on_when_a_lockout_is_read_late() {
    let kept = Kept {
        locks: Locks::from_iter([Lockout::owned(PANEL, Person::UNNAMED)]),
        deferral: None,
        kept_on: None,
    };
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(200, Step::Recall(kept)), at(5_200, off())],
        &[(100, "acted(machine-idle), off"), (200, "keep lockout -"), (5_100, "off/1")],
    );
}

#[test]
fn what_is_read_late_takes_nothing_away_from_what_is_known() {
    let older = Deferral { by: SCHEDULE, expires_at: START + Span(500) };
    let locks = Locks::from_iter([Lockout::owned(PANEL, Person::UNNAMED)]);
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(OffOnceIdle)),
            at(150, press(EmergencyOff).by_alarm()),
            at(160, Step::Recall(Kept { locks, deferral: None, kept_on: None })),
            at(170, off()),
        ],
        &[
            (100, "keep - deferral, deferred(until-idle), say deferred"),
            (150, "off!emergency, keep - -, keep emergency -, acted(emergency), say emergency-off"),
            (160, "keep emergency -"),
        ],
    );
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(OffOnceIdle)),
            at(200, Step::Recall(Kept { locks: Locks::NONE, deferral: Some(older), kept_on: None })),
            at(60_000, Step::Wait),
        ],
        &[(100, "keep - deferral, deferred(until-idle), say deferred"), (200, "keep - deferral")],
    );
}

#[test]
fn a_deferral_read_late_is_carried_out() {
    let deferral = Some(Deferral { by: SCHEDULE, expires_at: START + Span::secs(3_600) });
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(20_000, Step::Recall(Kept { locks: Locks::NONE, deferral, kept_on: None })),
            at(50_100, off()),
        ],
        &[(20_000, "keep - deferral, say deferral-notice"), (50_000, "deferral-acted, off, keep - -")],
    );
}

#[test]
fn an_emergency_lockout_read_late_tells_of_a_machine_that_is_on() {
    let kept = Kept { locks: Locks::from_iter([Lockout::emergency(ALARM)]), deferral: None, kept_on: None };
    story(
        policy(),
        &[at(0, on()), at(200, Step::Recall(kept)), at(9_000, Step::Wait)],
        &[(200, "incident not-confirmed!, keep emergency -")],
    );
    story(policy(), &[at(0, off()), at(200, Step::Recall(kept))], &[(200, "keep emergency -")]);
}
