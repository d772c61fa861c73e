//! Things that went past the guard. What could go wrong: nobody hears of them, everybody hears of them all day, or the
//! guard fights a person's hand.

use super::super::RequestKind::*;
use super::super::*;
use super::story::*;
use crate::time::Moment;

fn policy() -> Policy {
    Policy::default()
}

#[test]
fn the_first_report_after_a_start_is_news_but_no_incident() {
    for state in [on(), off(), unreachable()] {
        story(policy(), &[at(0, state), at(60_000, Step::Wait)], &[]);
    }
}

#[test]
fn an_outlet_switched_off_by_hand_is_told_urgently_if_the_machine_may_have_worked_and_never_fought() {
    for (verdict, words) in [
        (busy(), "incident off-by-another-route!"),
        (unknown(), "incident off-by-another-route!"),
        (clear(), "incident off-by-another-route"),
        (held_longer(), "incident off-by-another-route"),
    ] {
        story(
            policy(),
            &[at(0, on()), at(0, verdict), at(100, off()), at(60_000, Step::Wait)],
            &[(100, words)],
        );
    }
}

#[test]
fn an_outlet_switched_on_by_hand_is_told_urgently_under_a_lockout_and_never_fought() {
    story(
        policy(),
        &[at(0, off()), at(100, on()), at(60_000, Step::Wait)],
        &[(100, "incident on-by-another-route")],
    );
    story(
        policy(),
        &[at(0, off()), at(50, press(Lock)), at(100, on()), at(60_000, Step::Wait)],
        &[(50, "keep lockout -, acted(locked), say locked"), (100, "incident on-by-another-route!")],
    );
}

#[test]
fn an_incident_is_told_once_and_taken_back_when_the_state_is_back() {
    story(
        policy(),
        &[at(0, on()), at(100, off()), at(200, off()), at(300, on()), at(400, off())],
        &[
            (100, "incident off-by-another-route!"),
            (300, "over off-by-another-route, incident on-by-another-route"),
            (400, "over on-by-another-route, incident off-by-another-route!"),
        ],
    );
}

#[test]
fn a_change_while_the_outlet_was_out_of_sight_is_noticed_when_it_is_back() {
    story(policy(), &[at(0, on()), at(100, unreachable()), at(200, on())], &[]);
    story(
        policy(),
        &[at(0, on()), at(100, unreachable()), at(200, off())],
        &[(200, "incident off-by-another-route!")],
    );
    story(
        policy(),
        &[at(0, on()), at(100, Step::Link(false)), at(200, Step::Link(true)), at(300, off())],
        &[(300, "incident off-by-another-route!")],
    );
}

#[test]
fn while_the_link_is_down_the_outlet_is_unknown() {
    story(
        policy(),
        &[at(0, off()), at(0, clear()), at(100, Step::Link(false)), at(200, press(Off))],
        &[(200, "acted(machine-idle), off")],
    );
}

#[test]
fn the_effect_of_our_own_order_is_no_incident_however_late_it_may_come() {
    // Replaced by an on at once; the off that was on its way takes effect all the same, and then the on.
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(200, press(On)),
            at(300, off()),
            at(400, on()),
            at(60_000, Step::Wait),
        ],
        &[(100, "acted(machine-idle), off"), (200, "acted(switching-on), on")],
    );
    let last = |off_at| {
        [
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(200, press(On)),
            at(300, on()),
            at(off_at, off()),
        ]
    };
    let both = [(100, "acted(machine-idle), off"), (200, "acted(switching-on), on")];
    story(policy(), &last(10_100), &both);
    let [first, second] = both;
    story(policy(), &last(10_101), &[first, second, (10_101, "incident off-by-another-route")]);
    // The same for an on that was taken back.
    let on_at = |on_at| {
        [
            at(0, off()),
            at(0, clear()),
            at(100, press(On)),
            at(200, press(Off)),
            at(300, off()),
            at(on_at, on()),
        ]
    };
    let both = [(100, "acted(switching-on), on"), (200, "acted(machine-idle), off")];
    story(policy(), &on_at(10_100), &both);
    let [first, second] = both;
    story(policy(), &on_at(10_101), &[first, second, (10_101, "incident on-by-another-route")]);
}

#[test]
fn one_order_excuses_one_change() {
    story(
        policy(),
        &[at(0, on()), at(0, clear()), at(100, press(Off)), at(200, off()), at(300, on()), at(400, off())],
        &[
            (100, "acted(machine-idle), off"),
            (300, "incident on-by-another-route"),
            (400, "over on-by-another-route, incident off-by-another-route"),
        ],
    );
}

#[test]
fn draw_that_goes_on_after_an_off_is_told_urgently_and_taken_back_when_it_ends() {
    story(
        policy(),
        &[
            at(0, on()),
            at(0, clear()),
            at(100, press(Off)),
            at(200, off()),
            at(15_199, Step::Draw(true)),
            at(15_200, Step::Draw(true)),
            at(16_000, Step::Draw(true)),
            at(20_000, Step::Draw(false)),
        ],
        &[
            (100, "acted(machine-idle), off"),
            (15_200, "incident still-drawing!"),
            (20_000, "over still-drawing"),
        ],
    );
}

#[test]
fn a_meter_that_reports_only_changes_is_believed_when_the_time_is_over() {
    story(
        policy(),
        &[at(0, on()), at(0, off()), at(3_000, Step::Draw(true)), at(60_000, Step::Wait)],
        &[(0, "incident off-by-another-route!"), (15_000, "incident still-drawing!")],
    );
    // A reading from before the off says nothing about after it.
    story(
        policy(),
        &[at(0, on()), at(0, Step::Draw(true)), at(100, off()), at(60_000, Step::Wait)],
        &[(100, "incident off-by-another-route!")],
    );
}

#[test]
fn draw_of_a_machine_that_is_on_or_out_of_sight_is_no_incident() {
    story(policy(), &[at(0, on()), at(60_000, Step::Draw(true)), at(90_000, Step::Wait)], &[]);
    story(
        policy(),
        &[at(0, off()), at(100, unreachable()), at(60_000, Step::Draw(true)), at(90_000, Step::Wait)],
        &[],
    );
    story(policy(), &[at(60_000, Step::Draw(true)), at(90_000, Step::Wait)], &[]);
}

#[test]
fn draw_ends_as_an_incident_when_the_machine_goes_on() {
    story(
        policy(),
        &[
            at(0, off()),
            at(20_000, Step::Draw(true)),
            at(30_000, press(On)),
            at(30_100, on()),
            at(60_000, Step::Draw(true)),
        ],
        &[
            (20_000, "incident still-drawing!"),
            (30_000, "acted(switching-on), on"),
            (30_100, "over still-drawing"),
        ],
    );
}

#[test]
fn the_time_for_the_draw_to_fall_is_counted_from_the_change_not_from_every_report() {
    story(
        policy(),
        &[at(0, off()), at(10_000, off()), at(15_000, Step::Draw(true))],
        &[(15_000, "incident still-drawing!")],
    );
}

#[test]
fn a_person_who_presses_at_the_outlet_ends_an_on_under_way_only_when_it_is_confirmed() {
    // An off report that crosses our on must not close the way out or answer what waits.
    story(
        policy(),
        &[
            at(0, off()),
            at(0, busy()),
            at(100, press(On)),
            at(200, press(ForceOff)),
            at(250, off()),
            at(2_300, press(ForceOff)),
            at(2_400, off()),
        ],
        &[
            (100, "acted(switching-on), on"),
            (200, "held(machine-busy), say held"),
            (2_300, "acted(forced-in-window), off!forced, say forced"),
        ],
    );
}

#[test]
fn every_incident_has_a_word_of_its_own() {
    for (index, kind) in IncidentKind::ALL.into_iter().enumerate() {
        assert!(IncidentKind::ALL[..index].iter().all(|other| other.word() != kind.word()));
    }
}

#[test]
fn an_older_reading_of_the_draw_never_replaces_a_newer_one_and_the_later_of_two_equal_ones_counts() {
    let mut bench = Bench::new(policy(), Kept::default());
    for step in [at(0, off()), at(20_000, Step::Draw(true))] {
        bench.play(step);
    }
    let drawing = |bench: &Bench| bench.guard.incidents().any(|kind| kind == IncidentKind::StillDrawing);
    bench.give(Input::Draw(DrawReport { residual: false, at: Moment(bench.now.0 - 1) }));
    assert!(drawing(&bench), "the older one is not believed");
    bench.give(Input::Draw(DrawReport { residual: false, at: bench.now }));
    assert!(!drawing(&bench), "the later one is");
    bench.give(Input::Draw(DrawReport { residual: true, at: bench.now }));
    assert!(drawing(&bench));
    bench.give(Input::Draw(DrawReport { residual: false, at: Moment(bench.now.0 + 1) }));
    assert!(!drawing(&bench));
}
