//! A contact with a position. What could go wrong: a machine is switched on while the red button is still in, a start
//! switches something because of it, or a machine stays usable though it was found in.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;

fn policy() -> Policy {
    Policy::default()
}

const PUSHED: Step = Step::Contact(true, false);
const FOUND: Step = Step::Contact(true, true);
const RELEASED: Step = Step::Contact(false, false);

#[test]
fn while_it_is_pushed_in_nothing_is_switched_on_and_nothing_unlocked() {
    story(
        policy(),
        &[
            at(0, off()),
            at(100, press(EmergencyOff).by_alarm()),
            at(100, PUSHED),
            at(200, off()),
            at(1_000, press(On)),
            at(2_000, press(Unlock)),
            at(3_000, RELEASED),
            at(4_000, press(On)),
            at(5_000, press(Unlock)),
            at(6_500, press(On)),
            at(6_600, on()),
        ],
        &[
            (100, "off!emergency, keep emergency -, acted(emergency), say emergency-off"),
            (1_000, "refused(contact-pushed), say refused"),
            (2_000, "refused(contact-pushed), say refused"),
            (4_000, "refused(lockout), say refused"),
            (5_000, "keep - -, acted(unlocked), say unlocked"),
            (6_500, "acted(switching-on), on"),
        ],
    );
}

#[test]
fn found_pushed_in_it_switches_nothing_locks_and_is_told() {
    story(
        policy(),
        &[at(0, FOUND), at(100, on()), at(200, busy()), at(1_000, press(Off)), at(11_500, Step::Wait)],
        &[
            (0, "keep emergency -, say found-pushed"),
            // Somebody must look: it is on.
            (100, "incident not-confirmed!"),
            (1_000, "held(machine-busy), say held"),
            (11_000, "say window-over"),
        ],
    );
}

#[test]
fn an_on_under_way_is_not_sent_again_once_a_contact_is_pushed_in() {
    story(
        policy(),
        &[at(0, off()), at(100, press(On)), at(200, PUSHED), at(60_000, Step::Wait)],
        &[(100, "acted(switching-on), on")],
    );
}

#[test]
fn the_lockout_of_a_contact_that_was_found_survives_a_restart() {
    let mut bench = Bench::new(policy(), Kept::default());
    for step in [at(0, off()), at(100, FOUND), at(200, Step::Restart)] {
        bench.play(step);
    }
    assert!(bench.guard.lockout().is_some_and(|lockout| lockout.emergency));
}

#[test]
fn a_person_can_still_switch_off_while_a_contact_is_pushed_in() {
    story(
        policy(),
        &[
            at(0, FOUND),
            at(0, on()),
            at(0, busy()),
            at(1_000, press(ForceOff)),
            at(3_100, press(ForceOff)),
            at(3_200, off()),
        ],
        &[
            (0, "keep emergency -, say found-pushed, incident not-confirmed!"),
            (1_000, "held(machine-busy), say held"),
            (3_100, "acted(forced-in-window), off!forced, over not-confirmed, say forced"),
        ],
    );
}
