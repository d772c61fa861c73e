//! What could go wrong: a job is told of as finished that somebody cut, one is counted twice or never, a pause ends
//! one, the surge of a start is one; or an end that nobody saw is made up.

use super::*;
use Sight::{Idle, Unknown, Working};
use idlegate_plan::kept::KeptJob;

const ON: Option<Switch> = Some(Switch::On);
const OFF: Option<Switch> = Some(Switch::Off);
const QUIET: Sight = Sight::Quiet { left: Span::secs(120) };
const WALL: i64 = 1_764_000_000_000;
const RULES: JobRules = JobRules::UNLESS_SET;
const PAUSING: JobRules = JobRules { pause: Some(Span::secs(60)), ..RULES };

fn at(secs: u64) -> Now {
    Now { moment: Moment(50_000 + secs * 1_000), wall: WallTime(WALL + i64::try_from(secs).unwrap() * 1_000) }
}

fn look(secs: u64, outlet: Option<Switch>, work: Sight) -> Look {
    let now = at(secs);
    // 60 W all the time.
    #[expect(clippy::cast_precision_loss, reason = "a few hours")]
    let joules = Some(secs as f64 * 60.0);
    Look { now, work, outlet, read_at: now.moment, joules, price: Some(0.36) }
}

/// Looks once a second from each step to the next, as of the step before; gives the jobs that are over.
fn lived(jobs: &mut Jobs, steps: &[(u64, Option<Switch>, Sight)], until: u64) -> Vec<JobOver> {
    lived_under(&RULES, jobs, steps, until)
}

fn lived_under(
    rules: &JobRules,
    jobs: &mut Jobs,
    steps: &[(u64, Option<Switch>, Sight)],
    until: u64,
) -> Vec<JobOver> {
    let mut over = Vec::new();
    for (number, (from, outlet, work)) in steps.iter().enumerate() {
        let next = steps.get(number + 1).map_or(until, |(next, _, _)| *next);
        for secs in *from..next {
            if let Some(Turn::Over(job)) = jobs.see(&look(secs, *outlet, *work), rules) {
                over.push(*job);
            }
        }
    }
    over
}

fn life(steps: &[(u64, Option<Switch>, Sight)], until: u64) -> Vec<JobOver> {
    lived(&mut Jobs::default(), steps, until)
}

/// How it ended; between when, in seconds; and how long it lasted.
fn told(over: &[JobOver]) -> Vec<(&'static str, Option<i64>, i64, u64)> {
    let secs = |wall: WallTime| (wall.0 - WALL) / 1_000;
    over.iter()
        .map(|job| (job.how.word(), job.not_before.map(secs), secs(job.ended), job.lasted.0 / 1_000))
        .collect()
}

#[test]
fn a_job_is_finished_when_its_machine_fell_quiet_and_not_when_that_is_certain() {
    let over = life(&[(0, ON, Idle), (100, ON, Working), (3_700, ON, QUIET), (3_820, ON, Idle)], 4_000);
    assert_eq!(told(&over), [("finished", None, 3_700, 3_600)]);
    // 60 W for an hour at 0.36 a kWh.
    assert_eq!(
        (over[0].joules, over[0].cost.map(|cost| (cost * 1e4).round())),
        (Some(216_000.0), Some(216.0))
    );
    assert!(!over[0].begin_unseen);
}

#[test]
fn a_pause_ends_no_job_and_a_surge_is_none() {
    let surge = [(0, OFF, Idle), (10, ON, Working), (14, ON, QUIET), (200, ON, Idle)];
    assert_eq!(life(&surge, 600), []);
    // What works after nobody could see it has not begun with the surge.
    let unseen = [
        (0, OFF, Idle),
        (10, ON, Working),
        (14, ON, QUIET),
        (30, None, Unknown),
        (300, ON, Working),
        (700, ON, Idle),
    ];
    assert_eq!(told(&life(&unseen, 900)), [("finished", None, 700, 400)]);
    // Nor has a job that begins soon after it, in the dwell that the surge set off.
    let soon = [(0, OFF, Idle), (10, ON, Working), (14, ON, QUIET), (100, ON, Working), (700, ON, Idle)];
    assert_eq!(told(&life(&soon, 900)), [("finished", None, 700, 600)]);
    let cut_soon = [(0, OFF, Idle), (10, ON, Working), (14, ON, QUIET), (100, OFF, QUIET)];
    assert_eq!(life(&cut_soon, 600), []);
    let pause = [
        (0, ON, Idle),
        (100, ON, Working),
        (500, ON, QUIET),
        (600, ON, Working),
        (900, ON, QUIET),
        (1_000, ON, Idle),
    ];
    assert_eq!(told(&life(&pause, 1_200)), [("finished", None, 900, 800)]);
    let under = |steps: &[_]| told(&lived_under(&PAUSING, &mut Jobs::default(), steps, 1_200));
    // A machine that says itself that it is idle, and goes on within the pause of its rules.
    let short = [(0, ON, Idle), (100, ON, Working), (500, ON, Idle), (530, ON, Working), (900, ON, Idle)];
    assert_eq!(under(&short), [("finished", None, 900, 800)]);
    // And one that goes on after it, before its detectors call it idle.
    assert_eq!(under(&pause), [("finished", None, 500, 400), ("finished", None, 900, 300)]);
}

#[test]
fn an_off_is_told_by_whose_it_was() {
    let ended = |cause: Option<Cause>, steps: &[(u64, Option<Switch>, Sight)]| {
        let mut jobs = Jobs::default();
        let mut over = lived_under(&PAUSING, &mut jobs, steps, 700);
        if let Some(cause) = cause {
            let (by, who) = (Some("button".into()), Some("Ida".into()));
            jobs.ordered(Off { at: at(700), cause, by, who });
        }
        over.extend(lived_under(&PAUSING, &mut jobs, &[(702, OFF, Working)], 703));
        let by = over[0].by.clone();
        (told(&over), by.as_deref().map(str::to_owned))
    };
    let works = [(0, ON, Idle), (100, ON, Working)];
    let button = Some("button".to_owned());
    assert_eq!(ended(Some(Cause::Forced), &works), (vec![("forced", None, 702, 602)], button.clone()));
    assert_eq!(ended(Some(Cause::Emergency), &works), (vec![("emergency", None, 702, 602)], button.clone()));
    assert_eq!(ended(Some(Cause::Plain), &works), (vec![("counted-as-idle", None, 702, 602)], button));
    assert_eq!(ended(None, &works), (vec![("cut-elsewhere", None, 702, 602)], None));
    // It had finished a moment before, and the rules' pause was not over.
    let done = [(0, ON, Idle), (100, ON, Working), (660, ON, Idle)];
    for cause in [Some(Cause::Plain), Some(Cause::Emergency), None] {
        assert_eq!(ended(cause, &done), (vec![("finished", None, 660, 560)], None), "{cause:?}");
    }
}

#[test]
fn one_that_had_fallen_quiet_may_have_been_done_before_it_was_cut() {
    let steps = [(0, ON, Idle), (100, ON, Working), (650, ON, QUIET), (700, OFF, QUIET)];
    assert_eq!(told(&life(&steps, 701)), [("cut-elsewhere", Some(650), 700, 550)]);
}

#[test]
fn an_old_order_is_not_why_a_machine_goes_off() {
    let mut jobs = Jobs::default();
    lived(&mut jobs, &[(0, ON, Idle), (100, ON, Working)], 700);
    jobs.ordered(Off { at: at(700), cause: Cause::Forced, by: None, who: None });
    let over = lived(&mut jobs, &[(700, ON, Working), (800, OFF, Working)], 801);
    assert_eq!(told(&over), [("cut-elsewhere", None, 800, 700)]);
}

#[test]
fn out_of_sight_a_job_goes_on_and_its_end_there_is_a_time_between_two_others() {
    let goes_on = [
        (0, ON, Idle),
        (100, ON, Working),
        (500, None, Unknown),
        (900, ON, Working),
        (1_000, ON, QUIET),
        (1_130, ON, Idle),
    ];
    let over = life(&goes_on, 1_400);
    assert_eq!(told(&over), [("finished", None, 1_000, 900)]);
    assert_eq!(over[0].unseen, Span::secs(401));
    let ends = [(0, ON, Idle), (100, ON, Working), (500, None, Unknown), (900, ON, QUIET), (1_030, ON, Idle)];
    assert_eq!(told(&life(&ends, 1_400)), [("unseen", Some(499), 900, 399)]);
    let found_off = [(0, ON, Idle), (100, ON, Working), (500, None, Unknown), (900, OFF, Unknown)];
    assert_eq!(told(&life(&found_off, 901)), [("unseen", Some(499), 900, 399)]);
    // Its meter was silent for a moment, and its outlet stayed on.
    let glimpse = [(0, ON, Idle), (100, ON, Working), (500, ON, Unknown), (530, ON, QUIET), (660, ON, Idle)];
    assert_eq!(told(&life(&glimpse, 900)), [("finished", None, 530, 430)]);
    let long = [(0, ON, Idle), (100, ON, Working), (500, ON, Unknown), (600, ON, QUIET), (730, ON, Idle)];
    assert_eq!(told(&life(&long, 900)), [("unseen", Some(499), 600, 399)]);
}

#[test]
fn found_off_after_several_were_lost_at_once_it_lost_its_power() {
    let mut jobs = Jobs::default();
    lived(&mut jobs, &[(0, ON, Idle), (100, ON, Working), (500, None, Working)], 502);
    jobs.lost_with_others();
    let over = lived(&mut jobs, &[(502, None, Working), (530, None, Unknown), (700, OFF, Unknown)], 701);
    assert_eq!(told(&over), [("power-lost", Some(529), 700, 429)]);
}

#[test]
fn an_outlet_that_says_nothing_more_keeps_no_job_for_ever() {
    let silent = [(0, ON, Idle), (100, ON, Working), (500, None, QUIET), (630, None, Idle)];
    assert_eq!(told(&life(&silent, 900)), [("unseen", Some(499), 630, 399)]);
}

#[test]
fn what_was_found_at_work_may_have_begun_earlier() {
    let over = life(&[(0, ON, Unknown), (100, ON, Working), (900, ON, Idle)], 1_000);
    assert!(over[0].begin_unseen);
}

#[test]
fn a_restart_carries_a_job_over_with_what_it_drew() {
    for (away, how) in [(5, "finished"), (600, "unseen")] {
        let mut before = Jobs::default();
        lived(&mut before, &[(0, ON, Idle), (100, ON, Working), (3_700, ON, QUIET)], 3_710);
        let kept = before.kept(at(3_710)).unwrap();
        let kept = KeptJob::from_text(&kept.to_text(|_| 7), |_| 7).unwrap();
        let mut after = Jobs::default();
        let back = 3_710 + away;
        // After a boot moments begin anew, and so does what the meter counted.
        let anew = |look: Look| Look {
            now: Now { moment: Moment(look.now.moment.0 - 3_700_000), ..look.now },
            read_at: Moment(look.read_at.0 - 3_700_000),
            joules: look.joules.map(|joules| joules - 3_700.0 * 60.0),
            ..look
        };
        after.recall(Some(&kept), anew(look(back, None, Unknown)).now);
        let mut over = Vec::new();
        for secs in back..back + 200 {
            let work = if secs < back + 120 { QUIET } else { Idle };
            if let Some(Turn::Over(job)) = after.see(&anew(look(secs, ON, work)), &RULES) {
                over.push(*job);
            }
        }
        let until = if how == "finished" { 3_700 } else { i64::try_from(back).unwrap() };
        let from = (how == "unseen").then_some(3_700);
        assert_eq!(told(&over), [(how, from, until, 3_600)]);
        assert!(over[0].joules.unwrap() >= 216_000.0, "{:?}", over[0].joules);
    }
}

#[test]
fn an_emergency_that_was_sent_before_a_crash_is_why_it_is_off_afterwards() {
    let mut before = Jobs::default();
    lived(&mut before, &[(0, ON, Idle), (100, ON, Working)], 700);
    before.ordered(Off { at: at(700), cause: Cause::Emergency, by: Some("red".into()), who: None });
    let kept = before.kept(at(700)).unwrap();
    let mut after = Jobs::default();
    after.recall(Some(&kept), at(710));
    let over = lived(&mut after, &[(710, None, Unknown), (712, OFF, Unknown)], 713);
    assert_eq!((told(&over), over[0].by.as_deref()), (vec![("emergency", None, 712, 612)], Some("red")));
}
