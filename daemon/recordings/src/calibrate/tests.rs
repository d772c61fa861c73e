// What could go wrong in the workshop: a threshold in the middle of a standby that creeps, a dwell shorter than the
// next pause, a proposal for a machine whose draw tells nothing, a rules file left in half.

use super::dwell::Dwell;
use super::levels::quantile;
use super::rehearsal::verdicts;
use super::*;
use crate::recording::Oddities;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::event::Verdict;
use idlegate_plan::text::parse_time;

fn take(seconds: i64, draw: impl Fn(i64) -> f64) -> Take {
    let samples =
        (0..seconds).step_by(2).map(|second| Sample { at: at(second), watts: draw(second) }).collect();
    Take { name: "made up".to_owned(), samples, late: 0, oddities: Oddities::default() }
}

fn at(second: i64) -> WallTime {
    WallTime(1_764_000_000_000 + second * 1_000)
}

fn job(from: i64, until: i64) -> Interval {
    Interval { from: at(from), until: at(until) }
}

fn marked(jobs: &[Interval]) -> Marks {
    Marks { jobs: jobs.to_vec(), quiet: Vec::new() }
}

/// Idles at 30 W with a little noise; prints for half an hour with a bed heater that pauses for 50 s.
fn printer(second: i64) -> f64 {
    let noise = [0.0, 0.7, -0.4, 1.1][usize::try_from(second / 2 % 4).unwrap()];
    let heating = (7_200..9_000).contains(&second) && (second - 7_200) % 60 < 10;
    if heating { 250.0 } else { 30.0 + noise }
}

/// The meter tells whole watts.
fn motor(second: i64) -> f64 {
    400.0 + f64::from(i32::try_from(second / 2 % 5).unwrap())
}

/// A filament printer idling near 30 W was given a limit of 40 W: idle plus a small margin (common practice, no
/// source).
#[test]
fn a_printer_at_30_watts_gets_a_limit_of_idle_plus_a_small_margin() {
    let proposal =
        calibrate(&[take(14_400, printer)], &marked(&[job(7_200, 8_950)]), JobWorth::default()).unwrap();
    let settings = &proposal.settings;
    assert!((32.0..45.0).contains(&settings.busy_watts), "{settings:?}");
    assert!(settings.quiet_watts <= settings.busy_watts);
    assert!(settings.dwell >= Span::secs(75), "half as long again as its longest pause: {settings:?}");
    assert_eq!((proposal.evidence.jobs_hit, proposal.evidence.silences.pauses.len()), (0, 29));
}

/// A picture that shows a gap as busy tells of work that nobody saw.
#[test]
fn what_a_rehearsal_says_is_unknown_before_the_first_dwell_and_in_a_gap() {
    let mut day = take(3_600, |second| if (1_000..1_400).contains(&second) { 118.0 } else { 12.0 });
    day.samples.retain(|sample| !(at(2_400)..at(3_000)).contains(&sample.at));
    let proposal =
        calibrate(&[take(14_400, printer)], &marked(&[job(7_200, 8_950)]), JobWorth::default()).unwrap();
    let limits = Settings { dwell: Span::secs(170), ..proposal.settings }.limits();
    let dwell = i64::try_from(limits.dwell.as_millis()).unwrap() / 1_000;
    let gap_max = i64::try_from(limits.gap_max.as_millis()).unwrap() / 1_000;
    let said: Vec<_> = verdicts(&day, limits).into_iter().map(|(it, verdict)| (it.from, verdict)).collect();
    assert_eq!(
        said,
        [
            (at(0), Verdict::Unknown),
            (at(dwell), Verdict::Idle),
            (at(1_000), Verdict::Busy),
            (at(1_400 + dwell), Verdict::Idle),
            (at(2_398 + gap_max), Verdict::Unknown),
            (at(3_000 + dwell), Verdict::Idle),
        ]
    );
}

#[test]
fn jobs_are_found_where_nobody_marked_them() {
    let found = calibrate(&[take(14_400, printer)], &Marks::default(), JobWorth::default()).unwrap();
    assert!(found.evidence.jobs_found);
    let [only] = found.jobs[..] else { panic!("{:?}", found.jobs) };
    assert!(
        (only.from.0 - at(7_200).0).abs() <= 2_000 && (only.until.0 - at(8_950).0).abs() <= 4_000,
        "{only:?}"
    );
}

/// A kiln's thermostat pauses for four minutes in ten, at 4 W as when it is idle.
#[test]
fn a_dwell_outlasts_the_longest_pause_with_a_factor() {
    let kiln =
        |second: i64| if (3_600..18_000).contains(&second) && second % 600 < 360 { 2_900.0 } else { 4.0 };
    let proposal =
        calibrate(&[take(30_000, kiln)], &marked(&[job(3_600, 17_760)]), JobWorth::default()).unwrap();
    assert!(proposal.settings.dwell >= Span::secs(360), "{:?}", proposal.settings);
    assert_eq!(proposal.sureness, Sureness::Thin, "it was one job only");
}

/// What a machine draws in a pause is less than at work and more than when idle: the level lies below it.
#[test]
fn electronics_that_stay_on_in_a_pause_count_as_working() {
    let washer = |second: i64| match second {
        3_600..5_000 | 7_000..8_000 => motor(second),
        5_000..7_000 => 9.0,
        _ => 1.0,
    };
    let proposal =
        calibrate(&[take(14_400, washer)], &marked(&[job(3_600, 7_998)]), JobWorth::default()).unwrap();
    assert!(proposal.settings.quiet_watts < 9.0, "{:?}", proposal.settings);
    assert_eq!(proposal.evidence.silences.pauses, []);
    // A later job soaks for an hour: still nothing to cut.
    let long = take(20_000, |second| match second {
        3_600..5_000 | 9_000..10_000 => 400.0,
        5_000..9_000 => 9.0,
        _ => 1.0,
    });
    let through = let_through(&long, proposal.settings.limits());
    assert_eq!(through.within(job(3_600, 9_998)), Span::ZERO);
    assert!(through.released(at(9_998), at(20_000)).is_some());
}

#[test]
fn a_machine_that_draws_no_more_at_work_is_refused_with_a_way_out() {
    let flat = take(14_400, |second| 30.0 + f64::from(u32::try_from(second / 2 % 3).unwrap()));
    let refusal = calibrate(std::slice::from_ref(&flat), &marked(&[job(7_200, 9_000)]), JobWorth::default())
        .unwrap_err();
    assert!(matches!(refusal, Refusal::Overlap { .. }), "{refusal}");
    assert!(
        refusal.to_string().contains("power alone cannot tell") && refusal.to_string().contains("status")
    );
    assert!(matches!(
        calibrate(&[flat], &Marks::default(), JobWorth::default()).unwrap_err(),
        Refusal::NoJobs { .. }
    ));
}

#[test]
fn what_cannot_be_answered_is_said() {
    let day = take(14_400, printer);
    let outside = calibrate(std::slice::from_ref(&day), &marked(&[job(20_000, 21_000)]), JobWorth::default())
        .unwrap_err();
    assert!(matches!(outside, Refusal::JobOutside(..)), "{outside}");
    assert_eq!(calibrate(&[], &Marks::default(), JobWorth::default()).unwrap_err(), Refusal::NoReadings);
    let always = take(3_600, |_| 300.0);
    assert_eq!(
        calibrate(&[always], &marked(&[job(0, 3_598)]), JobWorth::default()).unwrap_err(),
        Refusal::NoQuiet
    );
}

/// By numpy's default definition, "linear", number 7 of Hyndman and Fan: `tests/published/quantiles.py`.
#[test]
fn a_quantile_is_the_linear_one() {
    for line in include_str!("../../../../tests/published/quantiles.tsv").lines().skip(2) {
        let cells: Vec<&str> = line.split('\t').collect();
        let sample: Vec<f64> = cells[0].split(' ').map(|value| value.parse().unwrap()).collect();
        let (part, expected): (f64, f64) = (cells[1].parse().unwrap(), cells[2].parse().unwrap());
        assert!((quantile(&sample, part) - expected).abs() < 1e-12 * expected, "{line}");
    }
}

/// Silences of these lengths in seconds after which the job went on, and ends of jobs.
fn silences(pauses: &[i64], finished: usize) -> Silences {
    let pauses = pauses.iter().map(|length| job(0, *length)).collect();
    Silences { pauses, finished }
}

fn dwell(pauses: &[i64], finished: usize) -> Span {
    Dwell::of(silences(pauses, finished), JobWorth::default(), Span::secs(2)).dwell
}

/// By SciPy: `tests/published/silences.py`.
#[test]
fn the_allowances_are_those_of_the_distributions_they_are_named_after() {
    for line in include_str!("../../../../tests/published/silences.tsv").lines().skip(2) {
        let cells: Vec<&str> = line.split('\t').collect();
        let number = |cell: usize| -> f64 { cells[cell].parse().unwrap() };
        let ours = match cells[0] {
            "still unseen" => dwell::still_unseen(number(1) * 1_000.0),
            "beyond" => dwell::beyond(number(1), number(2), number(3)),
            "rate" => (number(1) + dwell::UNSEEN) / number(2),
            other => panic!("{other}"),
        };
        let expected = number(cells.len() - 1);
        assert!((ours - expected).abs() < 1e-6 * expected.max(1e-3), "{line}: {ours}");
    }
}

#[test]
fn a_machine_begins_at_a_quarter_of_an_hour_and_earns_a_shorter_dwell_job_by_job() {
    let dwells = [1, 2, 4, 10, 17, 100].map(|finished| dwell(&[], finished).millis() / 60_000);
    assert_eq!(dwells, [14, 14, 7, 2, 2, 2], "in whole minutes");
    assert_eq!(dwell(&[], 1_000), FLOOR);
}

#[test]
fn a_pause_that_was_seen_is_waited_for_while_that_is_worth_it() {
    // Five times in thirty jobs it pauses for 750 s: a longer pause of the kind is likely, too.
    assert!(dwell(&[744, 749, 749, 751, 480, 220], 29) >= Span::secs(871));
    assert!(dwell(&[40 * 60], 3) > Span::secs(40 * 60), "it paused for 40 min in one job of three");
    // To wait for 40 min after each of 200 jobs is worse than one spoiled job.
    assert!(dwell(&[40 * 60], 200) < Span::secs(15 * 60));
    // Flickers of a few seconds, however many, make no dwell longer.
    assert_eq!(dwell(&[3; 500], 20), dwell(&[], 20));
}

#[test]
fn the_more_a_job_is_worth_the_longer_is_the_dwell() {
    let worth = |hours: u64| JobWorth(Span::secs(hours * 3_600));
    let dwells = [1, 4, 8, 24].map(|hours| Dwell::of(silences(&[], 6), worth(hours), Span::secs(2)).dwell);
    assert!(dwells.is_sorted() && dwells[0] < dwells[3], "{dwells:?}");
}

/// For hours after its programme this dishwasher's electronics draw 4 W, until somebody turns the knob; in a pause they
/// draw as much.
#[test]
fn a_machine_that_stays_on_after_its_jobs_is_recognised_and_said() {
    let washer = |start: i64, second: i64| match second - start {
        0..2_400 => motor(second),
        2_400..9_000 => 2.0 + 2.0 * f64::from(i32::try_from(second / 2 % 2).unwrap()),
        _ => 0.0,
    };
    let day = take(80_000, |second| washer((second / 20_000) * 20_000 + 6_000, second));
    let jobs: Vec<Interval> = (0..4).map(|run| job(run * 20_000 + 6_000, run * 20_000 + 8_398)).collect();
    let on = calibrate(std::slice::from_ref(&day), &marked(&jobs), JobWorth::default()).unwrap();
    assert_eq!(on.evidence.stays_on_watts, Some(2.0));
    assert!(on.settings.dwell >= Span::secs(14 * 60), "{:?}", on.settings);
    assert!(words(&[day], &on).contains("stays on"), "{}", words(&[], &on));
    let off = take(80_000, |second| if (second % 20_000) < 2_400 { motor(second) } else { 0.0 });
    let jobs: Vec<Interval> = (0..4).map(|run| job(run * 20_000, run * 20_000 + 2_398)).collect();
    let off = calibrate(&[off], &marked(&jobs), JobWorth::default()).unwrap();
    assert_eq!((off.evidence.stays_on_watts, off.settings.dwell), (None, dwell(&[], 4)));
}

/// A laser's fan runs on for six minutes at 60 W after each cut.
#[test]
fn where_a_fan_runs_on_both_limits_are_shown_with_what_each_costs() {
    let laser = |second: i64| match second % 10_000 {
        2_000..4_000 => motor(second),
        4_000..4_360 => 60.0,
        _ => 30.0,
    };
    let jobs: Vec<Interval> = (0..8).map(|run| job(run * 10_000 + 2_000, run * 10_000 + 3_998)).collect();
    let day = take(80_000, laser);
    let proposal = calibrate(std::slice::from_ref(&day), &marked(&jobs), JobWorth::default()).unwrap();
    let other = proposal.evidence.other.as_ref().unwrap();
    assert!(other.quiet_watts < 60.0 && proposal.settings.quiet_watts > 60.0, "{proposal:?}");
    assert!(other.release_mean >= proposal.evidence.release_mean + Span::secs(300), "{proposal:?}");
    let words = words(&[day], &proposal);
    assert!(words.contains("(proposed)") && words.contains("counts as busy"), "{words}");
}

/// Two short jobs ten minutes apart look like one with a pause.
#[test]
fn where_nobody_marked_the_jobs_it_asks_whether_a_long_silence_was_an_end() {
    let pairs = |second: i64| match second % 8_000 {
        1_000..1_300 | 1_900..2_200 => motor(second),
        _ => 1.0,
    };
    let day = take(80_000, pairs);
    let proposal = calibrate(std::slice::from_ref(&day), &Marks::default(), JobWorth::default()).unwrap();
    let (ends, dwell) = proposal.evidence.dwell_if_ends.unwrap();
    assert_eq!(ends, 10);
    assert!(proposal.settings.dwell > Span::secs(600) && dwell < Span::secs(300), "{proposal:?}");
    assert!(words(&[day], &proposal).contains("mark the jobs"), "{}", words(&[], &proposal));
}

/// Forms of ISO 8601, clause 4.4.4 of the edition of 2004 (from memory); the values are its own example of an interval,
/// 1985-04-12T23:20:50 to 1985-06-25T10:30:00, in UTC.
#[test]
fn intervals_are_read_in_their_three_forms() {
    let read = |text: &str| text.parse::<Interval>();
    let time = |text: &str| parse_time(text).unwrap();
    let whole = Interval { from: time("1985-04-12T23:20:50Z"), until: time("1985-06-25T10:30:00Z") };
    assert_eq!(read("1985-04-12T23:20:50Z/1985-06-25T10:30:00Z"), Ok(whole));
    assert_eq!(read("1985-04-12T23:20:50Z/P73DT11H9M10S"), Ok(whole));
    assert_eq!(read("P73DT11H9M10S/1985-06-25T10:30:00Z"), Ok(whole));
    assert_eq!(read("1985-04-13T01:20:50+02:00/PT1H").unwrap().from, whole.from);
    for bad in
        ["", "1985-04-12T23:20:50Z", "PT1H/PT1H", "1985-04-12T23:20:50/PT1H", "1985-04-12T23:20:50Z/P1M"]
    {
        assert!(read(bad).is_err(), "{bad}");
    }
    assert!(matches!(read("1985-06-25T10:30:00Z/1985-04-12T23:20:50Z"), Err(IntervalFault::Backwards(_))));
}

#[test]
fn settings_go_into_a_file_without_touching_the_rest() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("resin-printer.toml");
    let settings = Settings {
        busy_watts: 40.5,
        quiet_watts: 35.0,
        dwell: Span::secs(170),
        idle_watts: 30.5,
        gap_max: None,
    };
    assert_eq!(write(&path, &settings).unwrap(), Written::New);
    let new = std::fs::read_to_string(&path).unwrap();
    assert!(new.contains("busy_watts = 40.5") && new.contains("dwell = \"2 min 50 s\""), "{new}");

    let mine = "# mine\ntitle = \"Mill\" # loud\n[[detectors]]\nuse = \"machine-status\"\n[[detectors]]\nuse = \"power-threshold\"\nsettings = { busy_watts = 9, dwell = \"1 s\" } # by hand\n";
    std::fs::write(&path, mine).unwrap();
    assert_eq!(write(&path, &settings).unwrap(), Written::Changed);
    let changed = std::fs::read_to_string(&path).unwrap();
    assert!(
        changed.starts_with("# mine\ntitle = \"Mill\" # loud\n") && changed.contains("# by hand"),
        "{changed}"
    );
    assert!(changed.contains("busy_watts = 40.5") && !changed.contains("\"1 s\""), "{changed}");

    std::fs::write(&path, "title = ").unwrap();
    assert!(matches!(write(&path, &settings), Err(WriteError::NotToml { .. })));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "title = ");
}

/// After its work this machine rinses at a low draw for ten minutes; a level above that would let go soonest.
#[test]
fn no_level_is_taken_that_would_cut_the_jobs_it_was_found_with() {
    let washer = |second: i64| match second {
        3_600..5_000 => motor(second),
        5_000..5_600 => 12.0,
        5_600..7_000 => 8.0,
        _ => 1.0,
    };
    let day = take(14_400, washer);
    let proposal =
        calibrate(std::slice::from_ref(&day), &marked(&[job(3_600, 5_598)]), JobWorth::default()).unwrap();
    assert!(proposal.settings.quiet_watts <= 12.0, "{:?}", proposal.settings);
    assert_eq!(proposal.evidence.jobs_hit, 0);
    assert_eq!(let_through(&day, proposal.settings.limits()).within(job(3_600, 5_598)), Span::ZERO);
}
