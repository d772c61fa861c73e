//! What could go wrong with a trial: it calls ready what was never seen to work, or blames a machine's own end on
//! somebody.

use super::*;
use crate::report::{Job, Stretch};
use jiff::tz::TimeZone;

/// Monday 2026-01-05, 10:00 UTC.
const TEN: i64 = 1_767_607_200_000;
const WEEK: i64 = 7 * 1_440;

fn at(minute: i64) -> WallTime {
    WallTime(TEN + minute * 60_000)
}

fn job(from: i64, until: i64) -> Job {
    Job { from: at(from), until: at(until), watts_max: 120.0, joules: 1.0, cost: None }
}

fn stretch(from: i64, until: i64, doing: Doing) -> Stretch {
    Stretch { from: at(from), until: at(until), doing }
}

fn off(minute: i64, verdict: ShadowSays) -> ShadowOff {
    ShadowOff { at: at(minute), verdict, followed: None }
}

fn doings() -> Vec<Stretch> {
    let mut began = vec![(0, Doing::Idle)];
    for nth in 0..22 {
        let off = 100 + nth * 100;
        if nth < 3 {
            began.extend([(off - 90, Doing::Working), (off - 40, Doing::Idle)]);
        }
        began.extend([(off, Doing::Off), (off + 10, Doing::Idle)]);
    }
    began.extend([(4_900, Doing::Working), (5_000, Doing::Off), (5_010, Doing::Idle), (WEEK, Doing::Idle)]);
    let pairs = began.windows(2).filter(|pair| pair[0].0 < pair[1].0);
    pairs.map(|pair| stretch(pair[0].0, pair[1].0, pair[0].1)).collect()
}

/// A week of a printer: three whole jobs, 23 offs, one of which the hub did not do, and two presses into jobs, one of
/// which the hub obeyed.
fn week() -> MachineSum {
    let offs = (0..23).map(|nth| off(100 + nth * 100, ShadowSays::Off));
    let held = [off(5_000, ShadowSays::Held), off(6_000, ShadowSays::Held)];
    let mut sum = MachineSum {
        machine: "printer".to_owned(),
        title: "Filament printer".to_owned(),
        jobs: vec![job(10, 60), job(110, 160), job(210, 260), job(4_900, 5_000)],
        shadow_offs: offs.chain(held).collect(),
        minutes: vec![(at(4_998), 117.0), (at(4_999), 118.4), (at(5_000), 3.0)],
        cuts: vec![CutJob {
            at: at(5_000),
            since: at(4_900),
            how: How::NotThroughIdlegate,
            input: None,
            who: None,
        }],
        stretches: doings(),
        ..MachineSum::default()
    };
    sum.shadow.requests = sum.shadow_offs.len();
    sum
}

fn told(sum: MachineSum) -> (ShadowTrial, String) {
    let period = Period { from: at(0), to: at(WEEK) };
    let trial = trial(&Ledger { period, tariff: None, machines: vec![sum], damaged: 0 });
    let words = words(&trial, &TimeZone::UTC);
    (trial, words)
}

#[test]
fn a_week_is_summed_up_and_a_cut_job_is_paired_with_what_would_have_been() {
    let (trial, words) = told(week());
    assert_eq!(
        words,
        "7 days.\nFilament printer: 25 asked; 23 would be off, 2 held, 0 deferred. It was cut once while it worked (Thu 08 Jan 21:20, \
         118 W, Idlegate would have held it). 1 of the 23 stayed on. Ready.\n"
    );
    let tried = &trial.machines[0];
    // The one that was held into a job that nobody cut came about as decided, too.
    assert_eq!((tried.agreed, tried.cut_though_held, tried.left_on, tried.unseen), (23, 1, 1, 0));
    assert_eq!(tried.whole_jobs, 3);
    let json = json(&trial);
    assert_eq!(json["machines"][0]["cuts"][0]["would_have_been"], "held");
    assert!(html(&trial, &TimeZone::UTC).contains("Filament printer: 25 asked"));
}

#[test]
fn a_press_more_than_ten_seconds_away_belongs_to_no_cut() {
    for (millis, verdict) in [(10_000, Some(ShadowSays::Held)), (10_001, None), (-10_001, None)] {
        let mut sum = week();
        sum.shadow_offs[23].at.0 += millis;
        assert_eq!(told(sum).0.machines[0].cuts[0].verdict, verdict, "{millis}");
    }
}

#[test]
fn what_is_missing_is_named_and_nothing_is_ready_without_it() {
    let mut few = week();
    few.shadow_offs.truncate(12);
    few.jobs.truncate(1);
    few.stretches.extend([stretch(8_000, 8_011, Doing::Unclear), stretch(8_500, 8_540, Doing::Unclear)]);
    let (trial, words) = told(few);
    let end = "Not yet: 12 of 20 requests, 1 of 3 whole jobs, no request was held yet, 2 times it was not known for more than 10 min \
               whether it worked, once for 40 min.\n";
    assert!(words.ends_with(end), "{words}");
    assert_eq!(json(&trial)["machines"][0]["ready"], false);
    let mut away = week();
    away.stretches.push(stretch(8_000, 8_180, Doing::Unseen));
    assert!(told(away).1.ends_with("Not yet: once Idlegate saw nothing of it for 3 h.\n"), "{words}");
    let mut short = week();
    short.stretches.push(stretch(8_000, 8_010, Doing::Unclear));
    assert!(told(short).1.ends_with("Ready.\n"), "ten minutes are borne");
}

/// One under way at the beginning was not seen as a whole, and neither was one that the hub cut.
#[test]
fn only_jobs_seen_from_begin_to_end_count() {
    let mut sum = week();
    sum.jobs[0].from = at(0);
    let (trial, words) = told(sum);
    assert_eq!(trial.machines[0].whole_jobs, 2);
    assert!(words.ends_with("Not yet: 2 of 3 whole jobs.\n"), "{words}");
    for unseen in [60, 4] {
        // The guard was restarted when the job ended, or began.
        let mut sum = week();
        let place = sum.stretches.iter().position(|stretch| stretch.from == at(10)).unwrap();
        let beside = if unseen == 60 { place + 1 } else { place - 1 };
        sum.stretches[beside].doing = Doing::Unseen;
        assert_eq!(told(sum).0.machines[0].whole_jobs, 2, "{unseen}");
    }
}

/// What the journal says of each decision counts, and not what can be guessed from times.
#[test]
fn what_followed_is_taken_from_the_record_where_there_is_one() {
    let mut sum = week();
    sum.shadow_offs[0].followed = Some(Followed::LeftOn);
    sum.shadow_offs[23].followed = Some(Followed::Agrees);
    sum.shadow_offs[24].followed = Some(Followed::Unseen);
    let (trial, words) = told(sum);
    let tried = &trial.machines[0];
    assert_eq!((tried.agreed, tried.cut_though_held, tried.left_on, tried.unseen), (22, 0, 2, 1));
    assert!(words.contains(" 2 of the 23 stayed on. What became of 1 was not seen."), "{words}");
}

#[test]
fn where_nobody_asked_nothing_is_ready() {
    let (trial, words) = told(MachineSum { machine: "mill".to_owned(), ..MachineSum::default() });
    assert!(trial.machines.is_empty() && words.contains("shadow = true"), "{words}");
}
