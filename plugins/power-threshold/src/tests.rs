// What could go wrong in the workshop: a print is cut in the pause between two strokes of its heater; a meter that
// fell silent passes for a machine at rest; a faulty value counts as quiet.

use super::*;
use crate::dwell::Finding;
use idlegate_detector::Verdict::{self, Busy, Idle, Unknown};
use idlegate_detector::testing::{Recording, Trial, run};

/// A filament printer: idles near 30 W, works above 40 W.
const PRINTER: &str = r#"{ "busy_watts": 40, "quiet_watts": 35, "dwell": "60 s", "gap_max": "20 s" }"#;

/// Readings at whole seconds, and the verdict after the last of them.
#[track_caller]
fn after(readings: &[(u64, f64)], verdict: Verdict, reason: &str) {
    let mut trial = Trial::<PowerThreshold>::new(PRINTER).unwrap();
    let mut last = 0;
    for &(secs, watts) in readings {
        trial.observe(&Reading::number(0, Millis(secs * 1_000), watts));
        last = secs * 1_000;
    }
    let assessment = trial.assess(Millis(last));
    assert_eq!((assessment.verdict, assessment.reason.as_str()), (verdict, reason));
}

/// One reading every ten seconds from `from` to `to`.
fn steady(from: u64, to: u64, watts: f64) -> Vec<(u64, f64)> {
    (from..=to).step_by(10).map(|secs| (secs, watts)).collect()
}

fn joined(parts: &[Vec<(u64, f64)>]) -> Vec<(u64, f64)> {
    parts.concat()
}

#[test]
fn nothing_is_known_before_the_first_reading() {
    after(&[], Unknown, "no power reading yet");
}

#[test]
fn a_draw_above_the_level_is_busy_at_once() {
    after(&[(0, 118.0)], Busy, "118 W, busy above 40 W");
}

#[test]
fn the_level_itself_is_not_above_it() {
    after(&[(0, 40.0)], Unknown, "40 W, idle only below 35 W");
}

#[test]
fn a_quiet_machine_is_unknown_until_a_whole_dwell_was_seen() {
    after(&steady(0, 50, 30.0), Unknown, "30 W for 50 s, idle after 1 min below 35 W");
    after(&steady(0, 60, 30.0), Idle, "30 W, below 35 W for 1 min");
}

#[test]
fn a_busy_machine_stays_busy_through_the_dwell() {
    after(
        &joined(&[vec![(0, 118.0)], steady(10, 60, 30.0)]),
        Busy,
        "30 W for 50 s, idle after 1 min below 35 W",
    );
    after(&joined(&[vec![(0, 118.0)], steady(10, 70, 30.0)]), Idle, "30 W, below 35 W for 1 min");
}

#[test]
fn between_the_levels_busy_stays_busy_and_idle_stays_idle() {
    after(&[(0, 118.0), (10, 37.0)], Busy, "37 W, idle only below 35 W");
    after(&joined(&[steady(0, 60, 30.0), vec![(70, 37.0)]]), Idle, "37 W, still idle up to 40 W");
}

#[test]
fn a_reading_between_the_levels_restarts_the_dwell() {
    let readings = joined(&[vec![(0, 118.0)], steady(10, 60, 30.0), vec![(65, 37.0)], steady(70, 120, 30.0)]);
    after(&readings, Busy, "30 W for 50 s, idle after 1 min below 35 W");
}

#[test]
fn a_spike_of_a_single_reading_is_busy_and_costs_a_whole_dwell() {
    let readings = joined(&[steady(0, 60, 30.0), vec![(61, 800.0)], steady(62, 112, 30.0)]);
    after(&readings[..8], Busy, "800 W, busy above 40 W");
    after(&readings, Busy, "30 W for 50 s, idle after 1 min below 35 W");
}

#[test]
fn a_gap_does_not_count_as_quiet() {
    after(&[(0, 118.0), (10, 30.0), (80, 30.0)], Busy, "30 W for 0 s, idle after 1 min below 35 W");
}

#[test]
fn what_was_idle_before_a_gap_is_unknown_after_it() {
    after(
        &joined(&[steady(0, 60, 30.0), vec![(81, 30.0)]]),
        Unknown,
        "30 W for 0 s, idle after 1 min below 35 W",
    );
}

#[test]
fn a_pause_of_exactly_gap_max_is_no_gap() {
    after(&[(0, 30.0), (20, 30.0), (40, 30.0), (60, 30.0)], Idle, "30 W, below 35 W for 1 min");
}

#[test]
fn a_silent_meter_is_unknown_whatever_it_said_last() {
    for watts in [30.0, 37.0, 118.0] {
        let mut trial = Trial::<PowerThreshold>::new(PRINTER).unwrap();
        for (secs, watts) in joined(&[steady(0, 60, 30.0), vec![(61, watts)]]) {
            trial.observe(&Reading::number(0, Millis(secs * 1_000), watts));
        }
        assert_ne!(trial.assess(Millis(81_000)).verdict, Unknown, "{watts}");
        let assessment = trial.assess(Millis(82_500));
        assert_eq!(
            (assessment.verdict, assessment.reason.as_str()),
            (Unknown, "no power reading for 21 s"),
            "{watts}"
        );
    }
}

#[test]
fn time_that_passes_without_a_reading_completes_no_dwell() {
    let mut trial = Trial::<PowerThreshold>::new(PRINTER).unwrap();
    for (secs, watts) in steady(0, 50, 30.0) {
        trial.observe(&Reading::number(0, Millis(secs * 1_000), watts));
    }
    assert_eq!(trial.assess(Millis(65_000)).verdict, Unknown);
}

#[test]
fn a_negative_draw_within_the_noise_is_quiet_and_beyond_it_is_doubt() {
    after(&steady(0, 60, -2.0), Idle, "-2 W, below 35 W for 1 min");
    after(&joined(&[steady(0, 60, 30.0), vec![(70, -118.0)]]), Unknown, "-118 W is not a possible draw");
    after(
        &joined(&[steady(0, 60, 30.0), vec![(70, -118.0), (80, 30.0)]]),
        Unknown,
        "30 W for 0 s, idle after 1 min below 35 W",
    );
}

#[test]
fn values_that_are_no_numbers_are_doubt() {
    let limits = printer_limits();
    for watts in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut dwell = Dwell::new(limits);
        for (secs, watts) in joined(&[steady(0, 60, 30.0), vec![(61, watts)]]) {
            dwell.observe(Millis(secs * 1_000), watts);
        }
        assert!(matches!(dwell.finding(Millis(61_000)), Finding::Implausible { .. }), "{watts}");
    }
}

#[test]
fn a_step_back_in_time_restarts_the_dwell() {
    let mut dwell = Dwell::new(printer_limits());
    for (secs, watts) in joined(&[steady(100, 160, 30.0), vec![(150, 30.0)]]) {
        dwell.observe(Millis(secs * 1_000), watts);
    }
    let finding = dwell.finding(Millis(150_000));
    assert!(
        matches!(finding, Finding::Dwelling { quiet_for: Span::ZERO, was_busy: false, .. }),
        "{finding:?}"
    );
}

#[test]
fn of_two_readings_with_one_stamp_the_busy_one_counts() {
    after(
        &joined(&[steady(0, 60, 30.0), vec![(60, 118.0), (60, 30.0)]]),
        Busy,
        "30 W for 0 s, idle after 1 min below 35 W",
    );
    after(&[(0, 30.0), (0, 30.0)], Unknown, "30 W for 0 s, idle after 1 min below 35 W");
}

#[test]
fn the_time_to_clear_is_what_remains_of_the_dwell() {
    let recording = Recording::of_numbers([(0, 118.0), (10_000, 30.0), (25_000, 30.0), (30_000, 118.0)]);
    let run = run::<PowerThreshold>(PRINTER, &recording).unwrap();
    let clears: Vec<_> = run.steps.iter().map(|step| step.assessment.clears_in).collect();
    assert_eq!(clears, [None, Some(Span::from_secs(60)), Some(Span::from_secs(45)), None]);
}

#[test]
fn the_evidence_is_the_latest_reading() {
    let run = run::<PowerThreshold>(PRINTER, &Recording::of_numbers([(0, 118.0), (9, 30.0)])).unwrap();
    assert_eq!(run.steps[1].assessment.evidence, [Reading::number(0, Millis(9), 30.0)]);
}

#[test]
fn settings_that_do_not_fit_are_refused() {
    for (settings, error) in [
        (r#"{"busy_watts":0}"#, "busy_watts is 0: give watts above zero, such as 40"),
        (r#"{"busy_watts":40,"quiet_watts":-1}"#, "quiet_watts is -1: give watts above zero, such as 40"),
        (
            r#"{"busy_watts":40,"quiet_watts":41}"#,
            "quiet_watts is 41 W, more than busy_watts (40 W): give at most busy_watts",
        ),
        (
            r#"{"busy_watts":40,"dwell":"0 s"}"#,
            "dwell is 0 s: give more than the longest pause in a job, such as \"3 min\"",
        ),
        (
            r#"{"busy_watts":40,"dwell":"1 min","gap_max":"2 min"}"#,
            "gap_max is 2 min, and dwell is 1 min: give more than 0 s and at most dwell, or a whole dwell could pass unseen",
        ),
        (r#"{"busy_wats":40}"#, "busy_wats is not a setting: did you mean busy_watts?"),
    ] {
        assert_eq!(Trial::<PowerThreshold>::new(settings).unwrap_err().to_string(), error);
    }
}

#[test]
fn what_is_left_out_has_a_sensible_value() {
    let settings =
        Settings { busy_watts: 40.0, quiet_watts: None, dwell: Span::from_secs(30), gap_max: None };
    let limits = settings.limits().unwrap();
    assert_eq!((limits.quiet_watts, limits.gap_max), (40.0, Span::from_secs(30)));
}

fn printer_limits() -> Limits {
    Limits { busy_watts: 40.0, quiet_watts: 35.0, dwell: Span::from_secs(60), gap_max: Span::from_secs(20) }
}
