//! Orders on their way. What could go wrong: an off that was lost is sent again into a job, a failure nobody hears
//! of, an order from hours ago.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Span;

fn policy() -> Policy {
    Policy::default()
}

const EMERGENCY: &str = "off!emergency, keep emergency -, acted(emergency), say emergency-off";

#[test]
fn a_confirmed_order_is_not_sent_again() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(5_099, off()), at(60_000, Step::Wait)],
        &[(100, "acted(machine-idle), off")],
    );
}

#[test]
fn a_lost_off_is_sent_again_three_times_and_then_told() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(60_000, Step::Wait), at(60_100, off())],
        &[
            (100, "acted(machine-idle), off"),
            (5_100, "off/1"),
            (10_100, "off/2"),
            (15_100, "off/3"),
            (20_100, "incident not-confirmed"),
            (60_100, "over not-confirmed, incident off-by-another-route"),
        ],
    );
}

#[test]
fn a_lost_on_is_sent_again_three_times_and_then_told() {
    story(
        policy(),
        &[at(0, off()), at(100, press(On)), at(60_000, Step::Wait)],
        &[
            (100, "acted(switching-on), on"),
            (5_100, "on/1"),
            (10_100, "on/2"),
            (15_100, "on/3"),
            (20_100, "incident not-confirmed"),
        ],
    );
}

#[test]
fn a_lost_off_of_a_machine_that_became_busy_is_not_sent_again_and_said_so() {
    for verdict in [busy(), unknown(), clear().valid_for(1_000)] {
        story(
            policy(),
            &[at(0, on()), at(0, clear()), at(100, press(Off)), at(3_000, verdict), at(60_000, Step::Wait)],
            &[(100, "acted(machine-idle), off"), (5_100, "say off-abandoned")],
        );
    }
}

#[test]
fn a_lost_off_waits_for_detectors_before_it_is_sent_again() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(5_000, clear().unseen_ago(0)),
            at(5_200, clear()),
            at(5_400, off()),
        ],
        &[(100, "acted(machine-idle), off"), (5_350, "off/1")],
    );
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(5_000, clear().unseen_ago(0)),
            at(5_200, busy()),
            at(9_000, Step::Wait),
        ],
        &[(100, "acted(machine-idle), off"), (5_350, "say off-abandoned")],
    );
}

#[test]
fn each_sending_may_wait_for_detectors_anew() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(5_000, clear().unseen_ago(0)),
            at(5_200, clear()),
            at(10_300, clear().unseen_ago(0)),
            at(60_000, Step::Wait),
        ],
        &[(100, "acted(machine-idle), off"), (5_350, "off/1"), (11_350, "say off-abandoned")],
    );
}

#[test]
fn a_lost_off_whose_detectors_never_look_again_is_given_up_and_told() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(5_000, clear().unseen_ago(0)),
            at(60_000, Step::Wait),
        ],
        &[(100, "acted(machine-idle), off"), (6_100, "say off-abandoned")],
    );
}

#[test]
fn a_lost_force_is_sent_again_even_though_the_machine_is_busy_and_its_failure_is_urgent() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(2_000, press(ForceOff)),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (2_000, "acted(forced-in-window), off!forced, say forced"),
            (7_000, "off!forced/1"),
            (12_000, "off!forced/2"),
            (17_000, "off!forced/3"),
            (22_000, "incident not-confirmed!"),
        ],
    );
}

#[test]
fn a_force_while_a_lost_one_is_being_sent_again_gives_it_all_its_tries_again() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(2_000, press(ForceOff)),
            at(21_000, press(ForceOff)),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (2_000, "acted(forced-in-window), off!forced, say forced"),
            (7_000, "off!forced/1"),
            (12_000, "off!forced/2"),
            (17_000, "off!forced/3"),
            (21_000, "nothing-to-do(already-switching)"),
            (22_000, "off!forced/1"),
            (27_000, "off!forced/2"),
            (32_000, "off!forced/3"),
            (37_000, "incident not-confirmed!"),
        ],
    );
}

#[test]
fn an_emergency_is_sent_until_it_is_confirmed_and_told_once() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(0, press(EmergencyOff).by_alarm()),
            at(31_000, off()),
            at(90_000, Step::Wait),
        ],
        &[
            (0, EMERGENCY),
            (5_000, "off!emergency/1"),
            (10_000, "off!emergency/2"),
            (15_000, "off!emergency/3"),
            (20_000, "incident not-confirmed!, off!emergency/3"),
            (25_000, "off!emergency/3"),
            (30_000, "off!emergency/3"),
            (31_000, "over not-confirmed"),
        ],
    );
}

#[test]
fn an_emergency_for_an_outlet_that_said_off_already_is_sent_as_often_as_any_order() {
    story(
        policy(),
        &[at(0, off()), at(0, press(EmergencyOff).by_alarm()), at(90_000, Step::Wait)],
        &[
            (0, EMERGENCY),
            (5_000, "off!emergency/1"),
            (10_000, "off!emergency/2"),
            (15_000, "off!emergency/3"),
        ],
    );
}

#[test]
fn an_emergency_that_was_never_confirmed_ends_when_somebody_releases_the_machine_and_that_is_told() {
    story(
        policy(),
        &[
            at(0, on()),
            at(100, press(EmergencyOff).by_alarm()),
            at(200, Step::Link(false)),
            at(3_000, Step::Link(true)),
            at(3_100, on()),
            at(4_000, press(Unlock).at_panel()),
            at(9_000, Step::Link(false)),
            at(60_000, Step::Link(true)),
            at(90_000, Step::Wait),
        ],
        &[
            (100, EMERGENCY),
            (3_000, "off!emergency"),
            (4_000, "keep - -, acted(unlocked), say unlocked, incident not-confirmed!"),
        ],
    );
    // An outlet that has said that it is off leaves nothing to tell.
    story(
        policy(),
        &[
            at(0, off()),
            at(100, press(EmergencyOff).by_alarm()),
            at(200, press(Unlock).at_panel()),
            at(60_000, Step::Wait),
        ],
        &[(100, EMERGENCY), (200, "keep - -, acted(unlocked), say unlocked")],
    );
}

#[test]
fn an_emergency_is_sent_at_once_when_the_link_comes_back() {
    story(
        policy(),
        &[
            at(0, on()),
            at(1_000, Step::Link(false)),
            at(2_000, press(EmergencyOff).by_alarm()),
            at(4_000, Step::Link(true)),
            at(4_100, off()),
            at(90_000, Step::Wait),
        ],
        &[(2_000, EMERGENCY), (4_000, "off!emergency")],
    );
}

#[test]
fn a_plain_order_is_not_sent_again_just_because_the_link_comes_back() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(200, Step::Link(false)),
            at(300, Step::Link(true)),
            at(400, off()),
        ],
        &[(100, "acted(machine-idle), off")],
    );
}

#[test]
fn a_report_of_the_other_state_confirms_nothing() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(1_000, on()),
            at(1_500, unreachable()),
            at(5_200, off()),
        ],
        &[(100, "acted(machine-idle), off"), (5_100, "off/1")],
    );
}

#[test]
fn a_failure_is_cured_by_the_report_it_lacked_even_if_the_outlet_was_out_of_sight() {
    story(
        policy(),
        &[
            at(0, off()),
            at(100, unreachable()),
            at(200, press(EmergencyOff).by_alarm()),
            at(22_000, off()),
            at(30_000, Step::Wait),
        ],
        &[
            (200, EMERGENCY),
            (5_200, "off!emergency/1"),
            (10_200, "off!emergency/2"),
            (15_200, "off!emergency/3"),
            (20_200, "incident not-confirmed!, off!emergency/3"),
            (22_000, "over not-confirmed"),
        ],
    );
}

#[test]
fn a_failed_off_is_not_cured_by_an_outlet_that_says_it_is_on() {
    story(
        policy(),
        &[at(0, clear()), at(100, press(Off)), at(30_000, on()), at(30_100, Step::Wait)],
        &[
            (100, "acted(machine-idle), off"),
            (5_100, "off/1"),
            (10_100, "off/2"),
            (15_100, "off/3"),
            (20_100, "incident not-confirmed"),
        ],
    );
}

#[test]
fn a_new_order_takes_the_place_of_a_failed_one() {
    story(
        Policy { tries: 0, ..policy() },
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(6_000, press(Off)),
            at(6_100, off()),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "acted(machine-idle), off"),
            (5_100, "incident not-confirmed"),
            (6_000, "acted(machine-idle), off, over not-confirmed"),
        ],
    );
}

#[test]
fn an_off_in_the_middle_of_an_on_takes_its_place() {
    story(
        policy(),
        &[
            at(0, off()),
            at(0, clear()),
            at(100, press(On)),
            at(200, press(Off)),
            at(300, on()),
            at(400, off()),
            at(60_000, Step::Wait),
        ],
        &[(100, "acted(switching-on), on"), (200, "acted(machine-idle), off")],
    );
}

#[test]
fn an_on_whose_permit_was_withdrawn_is_not_sent_again_and_told() {
    story(
        Policy { on_needs_permit: true, ..policy() },
        &[
            at(0, off()),
            at(0, Step::Permit(true)),
            at(100, press(On)),
            at(1_000, Step::Permit(false)),
            at(60_000, Step::Wait),
        ],
        &[(100, "acted(switching-on), on"), (5_100, "incident not-confirmed")],
    );
}

#[test]
fn an_on_that_new_rules_forbid_is_not_sent_again() {
    story(
        policy(),
        &[
            at(0, off()),
            at(100, press(On)),
            at(1_000, Step::Adopt(Policy { on_from: Places::BESIDE, ..policy() })),
            at(60_000, Step::Wait),
        ],
        &[(100, "acted(switching-on), on"), (5_100, "incident not-confirmed")],
    );
}

// The computer was suspended or the program stopped while an order was unconfirmed.

#[test]
fn a_lost_order_is_not_sent_again_hours_later() {
    for (request, first, urgent) in
        [(press(On), "acted(switching-on), on", ""), (press(Off), "acted(machine-idle), off", "")]
    {
        let told = format!("incident not-confirmed{urgent}");
        story(
            policy(),
            &[
                at(0, clear().valid_for(u64::MAX)),
                at(100, request),
                at(28_800_000, Step::Stopped),
                at(28_860_000, Step::Wait),
            ],
            &[(100, first), (28_800_000, &told)],
        );
    }
}

#[test]
fn a_lost_force_is_not_sent_again_hours_later_but_an_emergency_is() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(2_000, press(ForceOff)),
            at(28_800_000, Step::Stopped),
            at(28_800_010, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (2_000, "acted(forced-in-window), off!forced, say forced"),
            (28_800_000, "incident not-confirmed!"),
        ],
    );
    story(
        policy(),
        &[
            at(0, on()),
            at(0, press(EmergencyOff).by_alarm()),
            at(28_800_000, Step::Stopped),
            at(28_800_010, off()),
        ],
        &[(0, EMERGENCY), (28_800_000, "off!emergency/1")],
    );
}

#[test]
fn a_resend_a_little_late_is_still_sent() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(10_100, Step::Stopped), at(10_200, off())],
        &[(100, "acted(machine-idle), off"), (10_100, "off/1")],
    );
}

// shadow mode

fn shadow() -> Policy {
    Policy { shadow: true, ..policy() }
}

#[test]
fn shadow_mode_decides_and_sends_nothing() {
    story(
        shadow(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(200, busy()),
            at(3_000, press(Off)),
            at(5_000, press(ForceOff)),
            at(60_000, Step::Wait),
        ],
        &[
            (100, "acted(machine-idle), off~shadow"),
            (3_000, "held(machine-busy), say held"),
            (5_000, "acted(forced-in-window), off!forced~shadow, say forced"),
        ],
    );
}

#[test]
fn shadow_mode_never_silences_an_emergency() {
    story(
        shadow(),
        &[at(0, on()), at(0, press(EmergencyOff).by_alarm()), at(5_100, off())],
        &[(0, EMERGENCY), (5_000, "off!emergency/1")],
    );
}

#[test]
fn rules_that_turn_to_shadow_mode_stop_what_is_under_way_but_not_an_emergency() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(1_000, Step::Adopt(shadow())),
            at(60_000, Step::Wait),
        ],
        &[(100, "acted(machine-idle), off")],
    );
    story(
        policy(),
        &[
            at(0, on()),
            at(0, press(EmergencyOff).by_alarm()),
            at(1_000, Step::Adopt(shadow())),
            at(5_100, off()),
        ],
        &[(0, EMERGENCY), (5_000, "off!emergency/1")],
    );
}

#[test]
fn every_span_at_its_greatest_makes_nothing_early() {
    let policy = Policy { window: Span::MAX, confirm_within: Span::MAX, ..policy() };
    story(
        policy,
        &[
            at(0, on()),
            at(0, busy()),
            at(100, press(Off)),
            at(500_000, press(ForceOff)),
            at(900_000, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (500_000, "acted(forced-in-window), off!forced, say forced"),
        ],
    );
}
