//! Readings that are old or not looked at yet. What could go wrong: a job that began a second ago is cut, or a person
//! waits for ever for an answer.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Span;

fn policy() -> Policy {
    Policy { can_refresh: true, ..Policy::default() }
}

fn plain() -> Policy {
    Policy::default()
}

#[test]
fn old_readings_are_renewed_before_an_off_is_decided() {
    for (verdict, words) in [(clear(), "acted(machine-idle), off"), (busy(), "held(machine-busy), say held")]
    {
        story(
            policy(),
            &[
                at(0, on()),
                at(0, clear().as_of_ago(15_000)),
                at(1, press(Off)),
                at(500, verdict),
                at(501, Step::Wait),
            ],
            &[(1, "refresh"), (500, words)],
        );
    }
}

#[test]
fn readings_exactly_as_old_as_allowed_are_fresh() {
    story(
        policy(),
        &[at(0, on()), at(0, clear().as_of_ago(14_000)), at(1_000, press(Off)), at(1_100, off())],
        &[(1_000, "acted(machine-idle), off")],
    );
}

#[test]
fn readings_that_do_not_come_in_time_count_as_busy() {
    story(
        policy(),
        &[at(0, on()), at(0, clear().as_of_ago(16_000)), at(100, press(Off)), at(2_000, Step::Wait)],
        &[(100, "refresh"), (1_100, "held(machine-unknown), say held")],
    );
}

#[test]
fn a_schedule_whose_readings_do_not_come_in_time_is_deferred() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy().as_of_ago(16_000)),
            at(100, press(Off).by_schedule()),
            at(2_000, Step::Wait),
        ],
        &[(100, "refresh"), (1_100, "keep - deferral, deferred(until-idle), say deferred")],
    );
}

#[test]
fn a_verdict_on_the_same_old_readings_is_no_answer() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(300, clear().as_of_ago(16_300)),
            at(400, clear().as_of_ago(301)),
            at(500, clear().as_of_ago(400)),
            at(501, off()),
        ],
        &[(100, "refresh"), (500, "acted(machine-idle), off")],
    );
}

#[test]
fn new_readings_that_no_detector_has_looked_at_are_no_answer() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(300, clear().as_of_ago(0).unseen_ago(200)),
            // The reading that was asked for has come in, and nobody has judged it.
            at(350, clear().as_of_ago(0).unseen_ago(249)),
            at(400, clear().as_of_ago(299)),
            at(401, off()),
        ],
        &[(100, "refresh"), (400, "acted(machine-idle), off")],
    );
}

#[test]
fn an_outlet_that_cannot_be_asked_is_not_asked() {
    story(
        plain(),
        &[at(0, on()), at(0, clear().as_of_ago(600_000)), at(100, press(Off)), at(200, off())],
        &[(100, "acted(machine-idle), off")],
    );
}

#[test]
fn an_off_waits_until_detectors_have_looked_at_everything_that_came_before_it() {
    for (verdict, words) in [(clear(), "acted(machine-idle), off"), (busy(), "held(machine-busy), say held")]
    {
        story(
            plain(),
            &[
                at(0, on()),
                at(50, clear().unseen_ago(0)),
                at(100, press(Off)),
                at(200, verdict),
                at(201, Step::Wait),
            ],
            &[(200, words)],
        );
    }
}

#[test]
fn a_reading_that_came_in_with_the_press_is_looked_at_first_and_a_later_one_is_not_waited_for() {
    story(
        plain(),
        &[
            at(0, on()),
            at(100, clear().unseen_ago(0)),
            at(100, press(Off)),
            at(150, clear().unseen_ago(49)),
            at(151, off()),
        ],
        &[(150, "acted(machine-idle), off")],
    );
}

#[test]
fn an_off_whose_detectors_are_too_slow_is_held() {
    story(
        plain(),
        &[at(0, on()), at(50, clear().unseen_ago(0)), at(100, press(Off)), at(1_000, Step::Wait)],
        &[(350, "held(machine-unknown), say held")],
    );
}

#[test]
fn an_on_takes_back_an_off_that_waits() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(200, press(On)),
            at(2_000, clear()),
        ],
        &[(100, "refresh"), (200, "ignored(superseded), nothing-to-do(already-on)")],
    );
    story(
        policy(),
        &[
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(200, press(On)),
            at(300, on()),
            at(2_000, clear()),
        ],
        &[(100, "refresh"), (200, "ignored(superseded), acted(switching-on), on")],
    );
}

#[test]
fn several_offs_that_wait_are_one_off_and_each_gets_its_answer() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(150, press(Off).at_panel()),
            at(200, press(Off).by_schedule()),
            at(300, clear()),
            at(400, off()),
        ],
        &[
            (100, "refresh"),
            (150, "refresh"),
            (200, "refresh"),
            (
                300,
                "acted(machine-idle), off, nothing-to-do(already-switching), nothing-to-do(already-switching)",
            ),
        ],
    );
}

#[test]
fn more_offs_than_can_wait_are_held_on_the_spot() {
    let presses = (0..5).map(|nth| at(100, press(Off).gesture(40 + nth)));
    let steps: Vec<_> = [at(0, on()), at(0, clear().as_of_ago(16_000))]
        .into_iter()
        .chain(presses)
        .chain([at(300, busy())])
        .collect();
    let held = ["held(machine-busy), say held"; 4].join(", ");
    story(
        policy(),
        &steps,
        &[(100, "refresh, refresh, refresh, refresh, held(machine-unknown), say held"), (300, &held)],
    );
}

#[test]
fn an_off_that_waits_is_answered_when_the_outlet_turns_out_off_or_a_force_acts() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(200, off()),
            at(2_000, Step::Wait),
        ],
        &[(100, "refresh"), (200, "incident off-by-another-route, nothing-to-do(already-off)")],
    );
    story(
        policy(),
        &[
            at(0, on()),
            at(0, busy().as_of_ago(16_000)),
            at(100, press(ForceOff)),
            at(2_000, press(Off).at_panel()),
            at(2_200, press(ForceOff)),
            at(2_300, off()),
            at(9_000, Step::Wait),
        ],
        &[
            (100, "held(machine-busy), say held"),
            (2_000, "refresh"),
            (2_200, "acted(forced-in-window), off!forced, nothing-to-do(already-switching), say forced"),
        ],
    );
}

#[test]
fn rules_that_allow_no_wait_hold_what_cannot_be_decided_now() {
    let policy = Policy { refresh_wait: Span::ZERO, assess_wait: Span::ZERO, ..policy() };
    story(
        policy,
        &[at(0, on()), at(0, clear().as_of_ago(16_000)), at(100, press(Off)), at(200, Step::Wait)],
        &[(100, "held(machine-unknown), say held")],
    );
}

#[test]
fn readings_going_stale_while_an_off_waits_end_in_a_hold() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear().as_of_ago(16_000)),
            at(100, press(Off)),
            at(300, clear().valid_for(0)),
            at(400, Step::Wait),
        ],
        &[(100, "refresh"), (300, "held(machine-unknown), say held")],
    );
}
