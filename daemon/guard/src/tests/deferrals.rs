//! Offs for later. What could go wrong: power is cut without warning, a new job is cut by an old wish, a wish lives for
//! ever or is never carried out.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Span;

fn policy() -> Policy {
    Policy::default()
}

const DEFERRED: &str = "keep - deferral, deferred(until-idle), say deferred";
const NOTICE: &str = "say deferral-notice";
const ACTED: &str = "deferral-acted, off, keep - -";

fn deferred(rest: &[(u64, Step)]) -> Vec<(u64, Step)> {
    [&[at(0, on()), at(0, busy()), at(100, press(Off).by_schedule())], rest].concat()
}

#[test]
fn it_acts_once_the_machine_has_settled_and_the_notice_is_over() {
    story(
        policy(),
        &deferred(&[at(60_000, clear()), at(100_100, off()), at(200_000, Step::Wait)]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_000, ACTED)],
    );
}

#[test]
fn idleness_that_flaps_never_settles() {
    let mut steps = deferred(&[]);
    for second in 1..600 {
        let verdict = if second % 2 == 0 { busy() } else { clear() };
        steps.push(at(second * 1_000, verdict));
    }
    story(policy(), &steps, &[(100, DEFERRED)]);
}

#[test]
fn a_machine_busy_again_during_the_notice_is_not_switched_off() {
    for verdict in [busy(), unknown()] {
        story(
            policy(),
            &deferred(&[at(60_000, clear()), at(99_999, verdict), at(150_000, clear()), at(190_100, off())]),
            &[
                (100, DEFERRED),
                (70_000, NOTICE),
                (99_999, "say deferral-busy-again"),
                (160_000, NOTICE),
                (190_000, ACTED),
            ],
        );
    }
}

/// A message is handled before the tick of the same moment.
#[test]
fn a_reading_that_comes_as_the_notice_ends_counts() {
    let busy_again = "say deferral-busy-again";
    story(
        policy(),
        &deferred(&[at(60_000, clear()), at(100_000, busy())]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_000, busy_again)],
    );
    story(
        policy(),
        &deferred(&[at(60_000, clear()), at(100_000, clear().unseen_ago(0)), at(100_100, busy())]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_100, busy_again)],
    );
}

#[test]
fn readings_that_go_stale_during_the_notice_end_it() {
    story(
        policy(),
        &deferred(&[at(60_000, clear().valid_for(20_000)), at(150_000, Step::Wait)]),
        &[(100, DEFERRED), (70_000, NOTICE), (80_000, "say deferral-busy-again")],
    );
}

#[test]
fn it_can_be_cancelled_before_and_during_the_notice() {
    for (when, noticed) in [(30_000, false), (80_000, true)] {
        let mut steps = deferred(&[]);
        if noticed {
            steps.push(at(60_000, clear()));
        }
        steps.extend([at(when, press(Cancel)), at(200_000, clear()), at(300_000, Step::Wait)]);
        let mut expected = vec![(100, DEFERRED)];
        if noticed {
            expected.push((70_000, NOTICE));
        }
        expected.push((when, "keep - -, say deferral-cancelled, acted(deferral-cancelled)"));
        story(policy(), &steps, &expected);
    }
}

#[test]
fn it_expires_and_says_so() {
    story(
        Policy { deferral_max: Span::secs(600), ..policy() },
        &deferred(&[at(700_000, clear()), at(900_000, Step::Wait)]),
        &[(100, DEFERRED), (600_100, "keep - -, say deferral-expired")],
    );
}

#[test]
fn it_expires_during_the_notice_too() {
    story(
        Policy { deferral_max: Span::secs(60), ..policy() },
        &deferred(&[at(30_000, clear()), at(900_000, Step::Wait)]),
        &[(100, DEFERRED), (40_000, NOTICE), (60_100, "keep - -, say deferral-expired")],
    );
}

#[test]
fn a_second_wish_renews_the_first() {
    story(
        Policy { deferral_max: Span::secs(60), ..policy() },
        &deferred(&[at(50_000, press(OffOnceIdle)), at(100_000, Step::Wait), at(200_000, Step::Wait)]),
        &[(100, DEFERRED), (50_000, DEFERRED), (110_000, "keep - -, say deferral-expired")],
    );
}

#[test]
fn a_second_wish_does_not_shorten_or_prolong_a_running_notice() {
    story(
        policy(),
        &deferred(&[at(60_000, clear()), at(90_000, press(OffOnceIdle)), at(100_100, off())]),
        &[
            (100, DEFERRED),
            (70_000, NOTICE),
            (90_000, "keep - deferral, deferred(notice-running)"),
            (100_000, ACTED),
        ],
    );
}

#[test]
fn off_once_idle_of_a_machine_long_idle_gives_notice_at_once() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(20_000, press(OffOnceIdle)), at(50_100, off())],
        &[(20_000, "keep - deferral, deferred(notice-running), say deferral-notice"), (50_000, ACTED)],
    );
}

#[test]
fn off_once_idle_of_a_machine_just_idle_waits_until_it_has_settled() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(5_000, press(OffOnceIdle)), at(40_100, off())],
        &[(5_000, DEFERRED), (10_000, NOTICE), (40_000, ACTED)],
    );
}

#[test]
fn off_once_idle_without_notice_acts_at_once_when_idle_beyond_doubt() {
    let policy = Policy { notice: Span::ZERO, ..policy() };
    story(
        policy,
        &[at(0, on()), at(0, clear()), at(20_000, press(OffOnceIdle)), at(20_100, off())],
        &[(20_000, "keep - deferral, acted(machine-idle), deferral-acted, off, keep - -")],
    );
    // A reading that nobody has looked at is a doubt.
    story(
        policy,
        &[
            at(0, on()),
            at(0, clear()),
            at(20_000, clear().unseen_ago(0)),
            at(20_100, press(OffOnceIdle)),
            at(20_200, clear()),
            at(20_300, off()),
        ],
        &[(20_100, "keep - deferral, deferred(notice-running)"), (20_200, ACTED)],
    );
}

#[test]
fn off_once_idle_of_a_machine_that_is_off_or_going_off_does_nothing() {
    story(policy(), &[at(0, off()), at(100, press(OffOnceIdle))], &[(100, "nothing-to-do(already-off)")]);
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(200, press(OffOnceIdle)), at(300, off())],
        &[(100, "acted(machine-idle), off"), (200, "nothing-to-do(already-switching)")],
    );
}

#[test]
fn a_new_job_within_the_settling_time_is_not_cut() {
    story(
        policy(),
        &deferred(&[at(60_000, clear()), at(69_999, busy()), at(200_000, Step::Wait)]),
        &[(100, DEFERRED)],
    );
}

#[test]
fn a_reading_on_its_way_through_a_detector_is_waited_for_when_the_notice_is_over() {
    story(
        policy(),
        &deferred(&[
            at(60_000, clear()),
            at(99_900, clear().unseen_ago(0)),
            at(100_100, busy()),
            at(200_000, Step::Wait),
        ]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_100, "say deferral-busy-again")],
    );
    story(
        policy(),
        &deferred(&[
            at(60_000, clear()),
            at(99_900, clear().unseen_ago(0)),
            at(100_100, clear()),
            at(100_200, off()),
        ]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_100, ACTED)],
    );
}

#[test]
fn a_detector_too_slow_when_the_notice_is_over_sends_the_deferral_back_to_waiting() {
    story(
        policy(),
        &deferred(&[
            at(60_000, clear()),
            at(99_900, clear().unseen_ago(0)),
            at(101_000, clear()),
            at(140_350, off()),
        ]),
        &[
            (100, DEFERRED),
            (70_000, NOTICE),
            (100_250, "say deferral-busy-again"),
            (110_250, NOTICE),
            (140_250, ACTED),
        ],
    );
}

#[test]
fn old_readings_are_renewed_when_the_notice_is_over() {
    let policy = Policy { can_refresh: true, ..policy() };
    story(
        policy,
        &deferred(&[at(60_000, clear()), at(100_500, clear()), at(100_600, off())]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_000, "refresh"), (100_500, ACTED)],
    );
    story(
        policy,
        &deferred(&[at(60_000, clear()), at(100_500, clear().as_of_ago(501)), at(101_500, Step::Wait)]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_000, "refresh"), (101_000, "say deferral-busy-again")],
    );
    story(
        policy,
        &deferred(&[at(60_000, clear()), at(100_500, busy()), at(101_500, Step::Wait)]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_000, "refresh"), (100_500, "say deferral-busy-again")],
    );
}

const ASKED_AND_TOLD: [(u64, &str); 4] =
    [(100, DEFERRED), (70_000, NOTICE), (100_000, "refresh"), (101_000, "say deferral-busy-again")];

fn unanswered(rest: &[(u64, Step)]) -> Vec<(u64, Step)> {
    deferred(&[&[at(60_000, clear())], rest].concat())
}

#[test]
fn an_outlet_that_never_answers_is_asked_again_and_people_are_told_once() {
    let policy = Policy { can_refresh: true, ..policy() };
    story(
        policy,
        &unanswered(&[at(240_000, Step::Wait)]),
        &[&ASKED_AND_TOLD[..], &[(146_000, "refresh"), (192_000, "refresh"), (238_000, "refresh")]].concat(),
    );
}

#[test]
fn an_outlet_that_answers_again_is_switched_off_after_a_new_notice() {
    let policy = Policy { can_refresh: true, ..policy() };
    story(
        policy,
        &unanswered(&[at(146_500, clear()), at(176_700, clear()), at(177_000, off())]),
        &[
            &ASKED_AND_TOLD[..],
            &[(146_000, "refresh"), (146_500, NOTICE), (176_500, "refresh"), (176_700, ACTED)],
        ]
        .concat(),
    );
}

#[test]
fn a_meter_that_always_answers_too_late_wears_nobody_out() {
    let policy = Policy { can_refresh: true, ..policy() };
    let late = [146_000, 192_000, 238_000];
    let answers: Vec<_> = late.iter().map(|asked| at(asked + 2_000, clear())).collect();
    let asked: Vec<_> = late.iter().map(|asked| (*asked, "refresh")).collect();
    story(policy, &unanswered(&answers), &[&ASKED_AND_TOLD[..], &asked].concat());
}

#[test]
fn a_meter_that_reports_by_itself_again_needs_no_asking() {
    let policy = Policy { can_refresh: true, ..policy() };
    let reports: Vec<_> = (21..=33).map(|nth| at(nth * 5_000, clear())).collect();
    let steps = unanswered(&[reports, vec![at(165_100, off())]].concat());
    story(policy, &steps, &[&ASKED_AND_TOLD[..], &[(135_000, NOTICE), (165_000, ACTED)]].concat());
}

#[test]
fn an_answer_counts_once_it_has_been_judged_and_not_when_it_comes_in() {
    let policy = Policy { can_refresh: true, ..policy() };
    story(
        policy,
        &unanswered(&[at(146_500, clear().unseen_ago(0)), at(146_800, clear()), at(147_000, Step::Wait)]),
        &[&ASKED_AND_TOLD[..], &[(146_000, "refresh"), (146_800, NOTICE)]].concat(),
    );
}

#[test]
fn readings_that_nobody_has_looked_at_are_not_fresh_ones() {
    let policy = Policy { can_refresh: true, ..policy() };
    let reports: Vec<_> = (21..=28).map(|nth| at(nth * 5_000, clear().unseen_ago(0))).collect();
    story(policy, &unanswered(&reports), &ASKED_AND_TOLD);
}

#[test]
fn a_machine_that_works_again_while_the_outlet_does_not_answer_is_waited_for() {
    let policy = Policy { can_refresh: true, ..policy() };
    story(
        policy,
        &unanswered(&[at(120_000, busy()), at(400_000, Step::Wait)]),
        &[&ASKED_AND_TOLD[..], &[(120_000, "say deferral-busy-again")]].concat(),
    );
}

#[test]
fn a_press_that_acts_first_leaves_nothing_of_the_deferral() {
    story(
        policy(),
        &deferred(&[
            at(60_000, clear()),
            at(65_000, press(Off)),
            at(65_100, off()),
            at(65_200, on()),
            at(200_000, Step::Wait),
        ]),
        &[
            (100, DEFERRED),
            (65_000, "acted(machine-idle), off, keep - -"),
            (65_200, "incident on-by-another-route"),
        ],
    );
}

#[test]
fn the_outlet_switched_off_by_hand_cancels_it() {
    story(
        policy(),
        &deferred(&[at(30_000, off()), at(30_100, on()), at(60_000, clear()), at(200_000, Step::Wait)]),
        &[
            (100, DEFERRED),
            (30_000, "incident off-by-another-route!, keep - -, say deferral-cancelled"),
            (30_100, "over off-by-another-route, incident on-by-another-route"),
        ],
    );
}

#[test]
fn without_a_link_no_notice_is_given_and_nothing_acts() {
    // A notice that nobody can hear is none; back in sight, the machine has to settle again.
    story(
        policy(),
        &deferred(&[
            at(50_000, Step::Link(false)),
            at(60_000, clear()),
            at(300_000, Step::Link(true)),
            at(300_000, on()),
            at(340_100, off()),
        ]),
        &[(100, DEFERRED), (310_000, NOTICE), (340_000, ACTED)],
    );
}

#[test]
fn a_link_lost_during_the_notice_ends_it_and_it_is_given_again() {
    story(
        policy(),
        &deferred(&[
            at(60_000, clear()),
            at(80_000, Step::Link(false)),
            at(90_000, Step::Link(true)),
            at(90_000, on()),
            at(130_100, off()),
        ]),
        &[(100, DEFERRED), (70_000, NOTICE), (100_000, NOTICE), (130_000, ACTED)],
    );
}

#[test]
fn a_link_lost_during_the_last_look_ends_it() {
    story(
        policy(),
        &deferred(&[
            at(60_000, clear()),
            at(99_900, clear().unseen_ago(0)),
            at(100_050, Step::Link(false)),
            at(100_100, clear()),
            at(200_000, Step::Wait),
        ]),
        &[(100, DEFERRED), (70_000, NOTICE)],
    );
}

#[test]
fn a_program_that_was_stopped_when_the_notice_ended_gives_it_again() {
    // What the machine did meanwhile may still be waiting in a socket.
    story(
        policy(),
        &deferred(&[
            at(60_000, clear()),
            at(75_000, Step::Wait),
            at(400_000, Step::Stopped),
            at(400_100, busy()),
            at(500_000, Step::Wait),
        ]),
        &[(100, DEFERRED), (70_000, NOTICE), (400_000, NOTICE), (400_100, "say deferral-busy-again")],
    );
}

#[test]
fn a_deferral_made_while_an_on_is_under_way_acts_later() {
    story(
        policy(),
        &[
            at(0, off()),
            at(0, busy()),
            at(100, press(On)),
            at(200, press(OffOnceIdle)),
            at(300, on()),
            at(60_000, clear()),
            at(100_100, off()),
        ],
        &[(100, "acted(switching-on), on"), (200, DEFERRED), (70_000, NOTICE), (100_000, ACTED)],
    );
}

#[test]
fn a_lockout_neither_hastens_nor_hinders_it() {
    story(
        policy(),
        &deferred(&[at(1_000, press(Lock)), at(60_000, clear()), at(100_100, off())]),
        &[
            (100, DEFERRED),
            (1_000, "keep lockout deferral, acted(locked), say locked"),
            (70_000, NOTICE),
            (100_000, "deferral-acted, off, keep lockout -"),
        ],
    );
}

// The machine's own wish.

fn idle_off() -> Policy {
    Policy { forgotten_after: Some(Span::secs(600)), ..policy() }
}

#[test]
fn a_machine_idle_for_long_asks_by_itself_gives_notice_and_goes_off() {
    story(
        idle_off(),
        &[at(0, on()), at(1_000, clear()), at(631_100, off()), at(2_000_000, Step::Wait)],
        &[(601_000, NOTICE), (631_000, "deferral-acted, off")],
    );
}

#[test]
fn a_machine_that_is_off_unknown_busy_or_doubtful_does_not_ask_by_itself() {
    for steps in [
        vec![at(0, off()), at(0, clear())],
        vec![at(0, unreachable()), at(0, clear())],
        vec![at(0, on()), at(0, busy())],
        vec![at(0, on()), at(0, unknown())],
        vec![at(0, on()), at(0, clear()), at(1, Step::Link(false))],
        vec![at(0, on()), at(0, clear().valid_for(599_999))],
    ] {
        let steps = [steps.as_slice(), &[at(3_000_000, Step::Wait)]].concat();
        story(idle_off(), &steps, &[]);
    }
}

#[test]
fn without_the_rule_a_machine_never_asks_by_itself() {
    story(policy(), &[at(0, on()), at(0, clear()), at(3_000_000, Step::Wait)], &[]);
}

#[test]
fn busy_again_the_machines_own_wish_lapses_and_the_time_starts_anew() {
    story(
        idle_off(),
        &[at(0, on()), at(0, clear()), at(610_000, busy()), at(620_000, clear()), at(1_250_100, off())],
        &[
            (600_000, NOTICE),
            (610_000, "say deferral-busy-again"),
            (1_220_000, NOTICE),
            (1_250_000, "deferral-acted, off"),
        ],
    );
}

#[test]
fn cancelling_the_machines_own_wish_gives_the_whole_idle_time_again() {
    story(
        idle_off(),
        &[at(0, on()), at(0, clear()), at(610_000, press(Cancel)), at(1_240_100, off())],
        &[
            (600_000, NOTICE),
            (610_000, "say deferral-cancelled, acted(deferral-cancelled)"),
            (1_210_000, NOTICE),
            (1_240_000, "deferral-acted, off"),
        ],
    );
}

#[test]
fn switching_on_starts_the_idle_time_anew() {
    story(
        idle_off(),
        &[at(0, off()), at(0, clear()), at(500_000, press(On)), at(500_100, on()), at(1_130_200, off())],
        &[(500_000, "acted(switching-on), on"), (1_100_100, NOTICE), (1_130_100, "deferral-acted, off")],
    );
}

#[test]
fn idle_time_out_of_sight_does_not_count() {
    story(
        idle_off(),
        &[
            at(0, on()),
            at(0, clear()),
            at(300_000, Step::Link(false)),
            at(599_000, Step::Link(true)),
            at(599_000, on()),
            at(1_229_100, off()),
        ],
        &[(1_199_000, NOTICE), (1_229_000, "deferral-acted, off")],
    );
}

#[test]
fn a_link_reported_up_twice_does_not_start_the_idle_time_anew() {
    story(
        idle_off(),
        &[at(0, on()), at(0, clear()), at(300_000, Step::Link(true)), at(630_100, off())],
        &[(600_000, NOTICE), (630_000, "deferral-acted, off")],
    );
}

#[test]
fn a_person_may_take_over_the_machines_own_wish_which_then_outlasts_a_busy_spell() {
    story(
        idle_off(),
        &[
            at(0, on()),
            at(0, clear()),
            at(610_000, press(OffOnceIdle)),
            at(620_000, busy()),
            at(630_000, clear()),
            at(670_100, off()),
        ],
        &[
            (600_000, NOTICE),
            (610_000, "keep - deferral, deferred(notice-running)"),
            (620_000, "say deferral-busy-again"),
            (640_000, NOTICE),
            (670_000, ACTED),
        ],
    );
}

#[test]
fn the_machines_own_wish_lapses_quietly_when_the_link_is_lost() {
    story(
        idle_off(),
        &[
            at(0, on()),
            at(0, clear()),
            at(610_000, Step::Link(false)),
            at(620_000, Step::Link(true)),
            at(620_000, on()),
            at(1_250_100, off()),
        ],
        &[(600_000, NOTICE), (1_220_000, NOTICE), (1_250_000, "deferral-acted, off")],
    );
}

#[test]
fn a_tick_a_little_late_still_acts_and_a_later_one_gives_notice_again() {
    let steps = |late| {
        deferred(&[at(60_000, clear()), at(75_000, Step::Wait), at(late, Step::Stopped), at(late, off())])
    };
    story(policy(), &steps(101_000), &[(100, DEFERRED), (70_000, NOTICE), (101_000, ACTED)]);
    story(
        policy(),
        &steps(101_001),
        &[
            (100, DEFERRED),
            (70_000, NOTICE),
            (101_001, "say deferral-notice, incident off-by-another-route, keep - -, say deferral-cancelled"),
        ],
    );
}

#[test]
fn an_outlet_that_reports_on_again_and_again_does_not_start_the_idle_time_anew() {
    story(
        idle_off(),
        &[at(0, on()), at(0, clear()), at(300_000, on()), at(630_100, off())],
        &[(600_000, NOTICE), (630_000, "deferral-acted, off")],
    );
}
