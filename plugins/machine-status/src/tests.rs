// What could go wrong in the workshop: a status that nobody listed passes for idle; a paused job is cut; the
// status jumps to idle for a moment between two parts of a job.

use idlegate_detector::Verdict::{self, Busy, Idle, Unknown};
use idlegate_detector::testing::Trial;
use idlegate_detector::{Millis, Reading, Span};

use super::{MachineStatus, PROGRESS, STATUS};

const MILL: &str = r#"{ "busy": ["cutting", "homing"], "idle": ["ready"], "paused": ["feed hold"] }"#;

fn status(secs: u64, word: &str) -> Reading {
    Reading::text(STATUS, Millis(secs * 1_000), word)
}

fn progress(secs: u64, percent: f64) -> Reading {
    Reading::number(PROGRESS, Millis(secs * 1_000), percent)
}

/// The verdict at the time of the latest reading.
#[track_caller]
fn after(settings: &str, readings: &[Reading], verdict: Verdict, reason: &str) {
    let mut trial = Trial::<MachineStatus>::new(settings).unwrap();
    for reading in readings {
        trial.observe(reading);
    }
    let assessment = trial.assess(Millis(0));
    assert_eq!((assessment.verdict, assessment.reason.as_str()), (verdict, reason));
}

#[test]
fn a_listed_word_decides() {
    after(MILL, &[], Unknown, "no status yet");
    after(MILL, &[status(0, "cutting")], Busy, r#"status "cutting""#);
    after(MILL, &[status(0, "ready")], Idle, r#"status "ready""#);
    after(MILL, &[status(0, "cutting"), status(1, "ready")], Idle, r#"status "ready""#);
}

#[test]
fn a_paused_job_is_busy() {
    after(MILL, &[status(0, "feed hold")], Busy, r#"status "feed hold", a paused job counts as busy"#);
}

#[test]
fn a_word_on_no_list_is_unknown() {
    after(MILL, &[status(0, "Door")], Unknown, r#"status "Door" is on none of the lists"#);
    after(MILL, &[status(0, "")], Unknown, r#"status "" is on none of the lists"#);
    after(MILL, &[status(0, "Idle!")], Unknown, r#"status "Idle!" is on none of the lists"#);
}

#[test]
fn case_and_surrounding_space_do_not_matter() {
    for word in ["READY", "ready", " Ready\r\n", "\tready "] {
        let mut trial = Trial::<MachineStatus>::new(MILL).unwrap();
        trial.observe(&status(0, word));
        assert_eq!(trial.assess(Millis(0)).verdict, Idle, "{word:?}");
    }
    let umlaut = r#"{ "busy": ["LÄUFT"], "idle": ["steht"] }"#;
    after(umlaut, &[status(0, "läuft")], Busy, r#"status "läuft""#);
}

#[test]
fn a_job_that_has_begun_and_not_ended_is_busy_whatever_the_status() {
    for (percent, verdict) in [(0.0, Idle), (0.5, Busy), (99.9, Busy), (100.0, Idle)] {
        let mut trial = Trial::<MachineStatus>::new(MILL).unwrap();
        trial.observe(&status(0, "ready"));
        trial.observe(&progress(1, percent));
        assert_eq!(trial.assess(Millis(1_000)).verdict, verdict, "{percent}");
    }
    after(MILL, &[status(0, "ready"), progress(1, 42.0)], Busy, r#"status "ready", but the job is at 42 %"#);
    after(MILL, &[status(0, "cutting"), progress(1, 100.0)], Busy, r#"status "cutting""#);
    after(
        MILL,
        &[status(0, "Door"), progress(1, 100.0)],
        Unknown,
        r#"status "Door" is on none of the lists"#,
    );
}

#[test]
fn progress_alone_says_nothing() {
    after(MILL, &[progress(0, 100.0)], Unknown, "no status yet");
}

#[test]
fn an_older_word_does_not_replace_a_newer_one() {
    after(MILL, &[status(5, "cutting"), status(4, "ready")], Busy, r#"status "cutting""#);
    after(MILL, &[status(5, "ready"), status(5, "cutting")], Busy, r#"status "cutting""#);
}

#[test]
fn a_status_that_is_idle_for_a_moment_only_is_still_busy() {
    let settings = r#"{ "idle": ["ready", "lid open"], "busy": ["cutting"], "dwell": "30 s" }"#;
    let mut trial = Trial::<MachineStatus>::new(settings).unwrap();
    trial.observe(&status(0, "cutting"));
    trial.observe(&status(10, "ready"));
    trial.observe(&status(20, "lid open"));
    let assessment = trial.assess(Millis(25_000));
    assert_eq!(assessment.reason, r#"status "lid open" for 15 s, idle after 30 s"#);
    assert_eq!((assessment.verdict, assessment.clears_in), (Busy, Some(Span::from_secs(15))));
    assert_eq!(trial.assess(Millis(40_000)).verdict, Idle);
    trial.observe(&status(41, "cutting"));
    trial.observe(&status(42, "ready"));
    assert_eq!(trial.assess(Millis(60_000)).verdict, Busy);
}

#[test]
fn a_hostile_word_is_repeated_harmlessly_and_in_part() {
    let word = format!("\u{1b}[2J{}", "x".repeat(1_000));
    let shown = format!(r#"status "\u{{1b}}[2J{}…" is on none of the lists"#, "x".repeat(36));
    after(MILL, &[status(0, &word)], Unknown, &shown);
}

#[test]
fn settings_that_do_not_fit_are_refused() {
    for (settings, error) in [
        (r#"{"busy":["cutting"]}"#, "idle is missing: The words for a machine at rest. At least one."),
        (
            r#"{"idle":[]}"#,
            "idle is empty: give at least one word, or the machine could never be switched off",
        ),
        (r#"{"idle":["ready"," "]}"#, "idle[1] is empty: give the status as the machine spells it"),
        (
            r#"{"idle":["cutting "],"busy":["Cutting"]}"#,
            r#"idle[0] is "cutting ", which is on another list too: keep it on one list"#,
        ),
        (r#"{"idle":["ready"],"pause":["feed hold"]}"#, "pause is not a setting: did you mean paused?"),
    ] {
        assert_eq!(Trial::<MachineStatus>::new(settings).unwrap_err().to_string(), error);
    }
}
