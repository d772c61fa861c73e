//! Machines that are not switched like others. What could go wrong: a freezer is cut by a schedule, by a force or by
//! being forgotten; somebody believes that the red button has cut a kiln which nobody can switch; or a machine that can
//! be switched is taken for one that cannot, in an emergency.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Span;

fn never_off() -> Policy {
    Policy { control: Control::NeverOff, ..Policy::default() }
}

fn watched() -> Policy {
    Policy { control: Control::Watched, ..Policy::default() }
}

#[test]
fn a_machine_that_is_never_off_is_switched_off_by_no_request_however_idle_it_is() {
    for request in [press(Off), press(Flip), press(ForceOff), press(OffOnceIdle), press(Off).by_schedule()] {
        story(
            never_off(),
            &[at(0, on()), at(0, clear()), at(100, request), at(60_000, Step::Wait)],
            &[(100, "refused(never-off), say refused")],
        );
    }
}

#[test]
fn two_forces_of_a_machine_that_is_never_off_force_nothing() {
    story(
        never_off(),
        &[at(0, on()), at(0, busy()), at(100, press(ForceOff)), at(4_000, press(ForceOff))],
        &[(100, "refused(never-off), say refused"), (4_000, "refused(never-off), say refused")],
    );
}

#[test]
fn an_outlet_that_claims_to_be_off_opens_no_way_to_cut_what_is_never_off() {
    story(
        never_off(),
        &[at(0, off()), at(100, press(ForceOff)), at(4_000, press(ForceOff))],
        &[(100, "refused(never-off), say refused"), (4_000, "refused(never-off), say refused")],
    );
}

#[test]
fn a_machine_that_is_never_off_is_switched_on_by_on_and_by_flip() {
    for request in [press(On), press(Flip)] {
        story(
            never_off(),
            &[at(0, off()), at(100, request), at(200, on())],
            &[(100, "acted(switching-on), on")],
        );
    }
}

#[test]
fn a_machine_that_is_never_off_is_never_forgotten() {
    story(
        Policy { forgotten_after: Some(Span::secs(60)), ..never_off() },
        &[at(0, on()), at(0, clear()), at(3_000_000, Step::Wait)],
        &[],
    );
}

#[test]
fn an_emergency_that_reaches_a_machine_that_is_never_off_cuts_and_locks_it() {
    story(
        never_off(),
        &[at(0, on()), at(0, busy()), at(100, press(EmergencyOff).by_alarm()), at(200, off())],
        &[(100, "off!emergency, keep emergency -, acted(emergency), say emergency-off")],
    );
}

#[test]
fn rules_that_say_never_off_call_off_a_deferred_off() {
    story(
        Policy::default(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(OffOnceIdle)),
            at(1_000, Step::Adopt(never_off())),
            at(2_000, clear()),
            at(90_000, Step::Wait),
        ],
        &[
            (100, "keep - deferral, deferred(until-idle), say deferred"),
            (1_000, "keep - -, say deferral-cancelled"),
        ],
    );
}

#[test]
fn rules_that_say_never_off_call_off_a_plain_off_that_got_lost() {
    story(
        Policy::default(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(1_000, Step::Adopt(never_off())),
            at(30_000, Step::Wait),
        ],
        &[(100, "acted(machine-idle), off"), (5_100, "say off-abandoned")],
    );
}

#[test]
fn of_a_machine_that_is_only_watched_every_request_is_refused() {
    for request in [On, Off, Flip, ForceOff, OffOnceIdle, Cancel, KeepOn, Lock, Unlock] {
        for state in [on(), off(), unreachable()] {
            story(
                watched(),
                &[at(0, state), at(0, clear()), at(100, press(request)), at(60_000, Step::Wait)],
                &[(100, "refused(only-watched), say refused")],
            );
        }
    }
}

#[test]
fn an_emergency_for_a_machine_that_is_only_watched_says_that_it_was_not_obeyed() {
    story(
        watched(),
        &[at(0, on()), at(0, busy()), at(100, press(EmergencyOff).by_alarm()), at(60_000, Step::Wait)],
        &[(100, "refused(only-watched), say refused")],
    );
    let refused = Announcement::Refused { input: ALARM, kind: EmergencyOff, reason: Reason::OnlyWatched };
    assert!(refused.traits().is_urgent);
}

#[test]
fn a_pushed_contact_does_not_pretend_to_lock_what_is_only_watched() {
    story(watched(), &[at(0, on()), at(100, Step::Contact(true, true))], &[]);
}

#[test]
fn whoever_switches_a_machine_that_is_only_watched_is_no_incident() {
    story(
        watched(),
        &[at(0, on()), at(0, busy()), at(1_000, off()), at(9_000, on()), at(60_000, Step::Wait)],
        &[],
    );
}

#[test]
fn a_service_of_a_machine_that_is_only_watched_can_be_noted() {
    story(watched(), &[at(0, on()), at(100, press(Serviced))], &[(100, "acted(serviced)")]);
}

#[test]
fn a_lock_from_before_it_was_only_watched_can_be_lifted() {
    let mut locks = Locks::NONE;
    locks.add(Lockout::owned(BUTTON, Person::UNNAMED));
    story_after(
        watched(),
        Kept { locks, ..Kept::default() },
        &[at(0, on()), at(100, press(Unlock)), at(5_000, press(Unlock))],
        &[(100, "keep - -, acted(unlocked), say unlocked"), (5_000, "refused(only-watched), say refused")],
    );
}

#[test]
fn what_can_be_switched_is_refused_no_emergency_whatever_its_rules_were_before() {
    for before in [never_off(), watched()] {
        story(
            before,
            &[
                at(0, on()),
                at(0, busy()),
                at(1_000, Step::Adopt(Policy::default())),
                at(2_000, press(EmergencyOff).by_alarm()),
                at(2_100, off()),
            ],
            &[(2_000, "off!emergency, keep emergency -, acted(emergency), say emergency-off")],
        );
    }
}
