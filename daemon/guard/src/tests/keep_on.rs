//! Somebody has said that the machine stays on although it looks idle. What could go wrong: it is taken for idle all
//! the same; nobody can switch it off any more; a stranger takes it back; the end is forgotten, or the wish is.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Span;

const MINUTE: u64 = 60_000;

fn policy() -> Policy {
    Policy::default()
}

#[test]
fn a_machine_that_is_kept_on_is_held_like_a_busy_one_and_forced_like_one() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn).for_secs(600)),
            at(MINUTE, press(Off)),
            at(MINUTE + 3_000, press(ForceOff)),
            at(MINUTE + 3_200, off()),
        ],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (MINUTE, "held(kept-on), say held"),
            (MINUTE + 3_000, "acted(forced-in-window), off!forced, keep - -, say forced"),
        ],
    );
}

#[test]
fn a_force_without_a_window_is_held_first_though_every_detector_says_idle() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn)),
            at(MINUTE, press(ForceOff)),
            at(MINUTE + 3_000, press(ForceOff)),
            at(MINUTE + 3_200, off()),
        ],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (MINUTE, "held(kept-on), say held"),
            (MINUTE + 3_000, "acted(forced-in-window), off!forced, keep - -, say forced"),
        ],
    );
}

#[test]
fn an_emergency_passes_and_ends_it() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn)),
            at(MINUTE, press(EmergencyOff).by_alarm()),
            at(MINUTE + 200, off()),
        ],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (MINUTE, "off!emergency, keep - -, keep emergency -, acted(emergency), say emergency-off"),
        ],
    );
}

#[test]
fn when_its_time_is_over_it_is_judged_by_itself_and_its_idle_time_begins_then() {
    let policy = Policy { forgotten_after: Some(Span::secs(1_800)), ..policy() };
    story(
        policy,
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn).for_secs(3_600)),
            at(3_500_000, clear()),
            at(5_400_000, clear()),
            at(5_430_300, off()),
        ],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (3_600_100, "keep - -, say keep-on-over"),
            (5_400_100, "say deferral-notice"),
            (5_430_100, "deferral-acted, off"),
        ],
    );
}

#[test]
fn what_was_deferred_waits_until_it_is_over() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn).for_secs(600)),
            at(MINUTE, press(Off).by_schedule()),
            at(641_000, off()),
        ],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (MINUTE, "keep - deferral kept-on, deferred(until-idle), say deferred"),
            (600_100, "keep - deferral, say keep-on-over"),
            (610_100, "say deferral-notice"),
            (640_100, "deferral-acted, off, keep - -"),
        ],
    );
}

#[test]
fn nobody_cuts_short_what_somebody_else_asked_for_and_whoever_asked_may() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn).for_secs(1_200)),
            at(5_000, press(KeepOn).at_panel().for_secs(60)),
            at(100_000, press(Off)),
            at(110_100, press(KeepOn).for_secs(60)),
            at(180_000, press(Off)),
            at(180_200, off()),
        ],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (5_000, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (100_000, "held(kept-on), say held"),
            (110_000, "say window-over"),
            (110_100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (170_100, "keep - -, say keep-on-over"),
            (180_000, "acted(machine-idle), off"),
        ],
    );
}

#[test]
fn who_may_not_keep_it_on_may_not_take_that_back_either() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn).without_keeping_on()),
            at(5_000, press(KeepOn)),
            at(10_000, press(Cancel).without_keeping_on()),
            at(20_000, press(Cancel)),
            at(30_000, press(Off)),
            at(30_200, off()),
        ],
        &[
            (100, "refused(may-not-keep-on), say refused"),
            (5_000, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (10_000, "refused(may-not-keep-on)"),
            (20_000, "keep - -, say keep-on-over, acted(keep-on-cancelled)"),
            (30_000, "acted(machine-idle), off"),
        ],
    );
}

#[test]
fn it_survives_a_restart_and_no_word_holds_for_longer_than_a_day() {
    const DAY: u64 = 24 * 3_600_000;
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(KeepOn).for_secs(1_000_000)),
            at(MINUTE, Step::Restart),
            at(MINUTE, Step::Link(true)),
            at(MINUTE + 100, on()),
            at(MINUTE + 100, clear()),
            at(2 * MINUTE, press(Off)),
            at(DAY + 40_000, clear()),
            at(DAY + 50_000, press(Off)),
            at(DAY + 50_200, off()),
        ],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (2 * MINUTE, "held(kept-on), say held"),
            (2 * MINUTE + 10_000, "say window-over"),
            (DAY + 100, "keep - -, say keep-on-over"),
            (DAY + 50_000, "acted(machine-idle), off"),
        ],
    );
}

#[test]
fn what_is_off_cannot_be_kept_on() {
    story(
        policy(),
        &[at(0, off()), at(100, press(KeepOn)), at(5_000, unreachable()), at(9_000, press(KeepOn))],
        &[(100, "nothing-to-do(already-off)"), (9_000, "keep - - kept-on, acted(keeping-on), say kept-on")],
    );
}

#[test]
fn a_machine_that_is_kept_on_and_goes_off_elsewhere_may_have_been_working() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(KeepOn)), at(MINUTE, off())],
        &[
            (100, "keep - - kept-on, acted(keeping-on), say kept-on"),
            (MINUTE, "incident off-by-another-route!"),
        ],
    );
}
