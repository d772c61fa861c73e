//! What could go wrong: a dwell is called too long after a few days, or while the machine has just come near to being
//! cut.

use serde_json::json;

use super::*;
use idlegate_messages::from_json;

const AT: WallTime = WallTime(1_795_615_391_000);

fn lasted(dwell_s: u64, pauses: u64, longest_s: u64) -> Value {
    json!({ "end": "lasted", "dwell_s": dwell_s, "pauses": pauses, "pause_longest_s": longest_s })
}

fn told(bodies: &[Value]) -> Vec<Advice> {
    let mut sum = MachineSum { machine: "mill".to_owned(), ..MachineSum::default() };
    bodies.iter().for_each(|body| sum.silences.take(AT, &from_json(body).unwrap()));
    advice(&sum)
}

#[test]
fn a_dwell_that_is_longer_than_it_need_be_is_told_with_what_that_rests_on() {
    let many: Vec<_> = (0..96).map(|job| lasted(720, 2, if job == 40 { 110 } else { 30 })).collect();
    let [advice] = &told(&many)[..] else { panic!() };
    assert_eq!(
        advice.found,
        "96 silences: 2 min would do instead of 12 min; the longest of 192 pauses in its jobs was 1 min 50 s"
    );
    assert!(advice.remedy.contains("calibrate --last 14d mill"), "{}", advice.remedy);
}

#[test]
fn nothing_is_proposed_on_little_evidence_or_for_little_gain() {
    let jobs =
        |count: usize, dwell, longest| (0..count).map(|_| lasted(dwell, 1, longest)).collect::<Vec<_>>();
    assert_eq!(told(&jobs(3, 720, 30)), [], "ten minutes, after three jobs");
    assert_eq!(told(&jobs(96, 720, 700)), [], "it pauses for nearly as long in each job");
    assert_eq!(told(&jobs(96, 165, 30)), [], "2 min instead of 2 min 45 s");
    assert_eq!(told(&jobs(96, 120, 1)), [], "never below two minutes");
    assert_eq!(told(&jobs(96, 0, 30)), [], "nobody knows what is set");
    assert_eq!(told(&[]), []);
}

/// The more a job is worth, the longer it takes to earn the same dwell.
#[test]
fn what_would_do_is_what_calibration_says_of_as_many_silences() {
    let found = |count: usize, worth_hours: u64| {
        let job_worth = Some(Span::secs(worth_hours * 3_600));
        let mut sum = MachineSum { machine: "mill".to_owned(), job_worth, ..MachineSum::default() };
        (0..count).for_each(|_| sum.silences.take(AT, &from_json(&lasted(890, 0, 0)).unwrap()));
        advice(&sum).pop().map(|it| it.found.split(" would").next().unwrap_or_default().to_owned())
    };
    // The table of CALIBRATION.md: half of 8 h, by the logarithm of an hour in seconds, by the jobs.
    assert_eq!(found(4, 8).as_deref(), Some("4 silences: 8 min"));
    assert_eq!(found(10, 8).as_deref(), Some("10 silences: 3 min"));
    assert_eq!(found(10, 16).as_deref(), Some("10 silences: 6 min"));
    assert_eq!(found(2, 8), None);
}

#[test]
fn a_near_miss_comes_before_everything_else() {
    let mut all: Vec<_> = (0..96).map(|_| lasted(180, 1, 20)).collect();
    all.push(
        json!({ "end": "nearly", "dwell_s": 180, "quiet_for_s": 165, "pauses": 1, "pause_longest_s": 165 }),
    );
    let [advice] = &told(&all)[..] else { panic!() };
    assert!(
        advice.found.starts_with("on 2026-11-25 at 14:03 UTC it was quiet for 2 min 45 s"),
        "{}",
        advice.found
    );
    assert_eq!(advice.remedy, "Set its dwell to 4 min.");
    all.push(json!({ "end": "back-to-work", "dwell_s": 180, "idle_for_s": 240, "pauses": 0, "pause_longest_s": 0 }));
    let [advice] = &told(&all)[..] else { panic!() };
    assert!(
        advice
            .found
            .contains("went back to work 4 min after it counted as idle (the newest of 2 near misses)")
    );
    assert_eq!(
        advice.remedy,
        "If that was a pause, set its dwell to 9 min. If it was a new job, let go of it: resumptions_seen = \
         \"2026-11-25T14:03:11.000Z\" under [guard] in its file. Until then Idlegate holds \
         it longer, unless hold_longer = false."
    );
    // Somebody has set it beyond both since.
    all.push(lasted(600, 0, 0));
    assert_eq!(told(&all), []);
}

#[test]
fn an_idle_draw_that_creeps_up_to_its_limit_is_told_in_time() {
    let sum =
        |idle, quiet| MachineSum { idle_watts: Some(idle), quiet_watts: quiet, ..MachineSum::default() };
    let [advice] = &advice(&sum(37.0, Some(40.0)))[..] else { panic!() };
    assert_eq!(advice.found, "idle has crept to 37 W; quiet is below 40 W");
    assert_eq!(super::advice(&sum(30.0, Some(40.0))), []);
    assert_eq!(super::advice(&sum(37.0, None)), []);
}
