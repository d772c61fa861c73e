//! What could go wrong: a machine whose pauses draw as much as its idle, and which a dwell tells apart, is refused; or
//! it is not, and the proposal cuts it. Judged by a reading of the detector's README that shares no code with the
//! program, and by jobs that the test itself made.

use super::*;
use crate::recording::Oddities;
use idlegate_guard::time::{Span, WallTime};

/// Of no seed but this one; the numbers of Knuth's MMIX (The Art of Computer Programming, volume 2, 3.3.4).
struct Chance(u64);

impl Chance {
    /// From -1 to 1.
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(self.0 >> 33).unwrap()) / f64::from(1_u32 << 30) - 1.0
    }

    /// Near enough to the normal law, with a spread of 1.
    fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() / 2.0
    }
}

/// A working day on one meter.
struct Shop {
    interval_secs: i64,
    /// How the meter rounds.
    step_watts: f64,
    bell_shaped: bool,
    idle_watts: f64,
    pause_watts: f64,
    pause_secs: i64,
    jobs: i64,
}

const BEGIN: i64 = 1_764_000_000_000;
const JOB_SECS: i64 = 2_400;
const REST_SECS: i64 = 2_700;

impl Shop {
    fn job(&self, number: i64) -> (i64, i64) {
        let from = REST_SECS + number * (JOB_SECS + REST_SECS);
        (from, from + JOB_SECS)
    }

    /// In each job it works for five minutes, pauses, and so on, and ends working.
    fn is_pausing(&self, second: i64) -> bool {
        let into = (second - REST_SECS).rem_euclid(JOB_SECS + REST_SECS);
        (300..JOB_SECS - 300).contains(&into) && into % 400 < self.pause_secs
    }

    fn is_working(&self, second: i64) -> bool {
        (0..self.jobs).map(|number| self.job(number)).any(|(from, until)| (from..until).contains(&second))
    }

    fn day(&self) -> Take {
        let mut chance = Chance(42);
        let until = self.job(self.jobs).0;
        let mut samples = Vec::new();
        for second in (0..until).step_by(usize::try_from(self.interval_secs).unwrap()) {
            let noise = if self.bell_shaped { chance.bell() * 0.8 } else { chance.next() * 0.8 };
            let watts = match (self.is_working(second), self.is_pausing(second)) {
                (true, false) => 180.0 + 15.0 * noise,
                (true, true) => self.pause_watts + noise / 4.0,
                (false, _) => self.idle_watts + noise,
            };
            let watts = (watts / self.step_watts).round() * self.step_watts;
            samples.push(Sample { at: WallTime(BEGIN + second * 1_000), watts });
        }
        Take { name: "day".to_owned(), samples, late: 0, oddities: Oddities::default() }
    }

    fn marks(&self) -> Marks {
        let at = |second: i64| WallTime(BEGIN + second * 1_000);
        let jobs = (0..self.jobs).map(|number| self.job(number));
        let jobs = jobs.map(|(from, until)| Interval { from: at(from), until: at(until - 1) });
        Marks { jobs: jobs.collect(), quiet: Vec::new() }
    }
}

/// Seconds at which power could be cut: by the README of power-threshold, and not by its code.
fn cut_at(day: &Take, settings: &Settings) -> Vec<i64> {
    let (mut busy, mut quiet_since, mut seconds) = (true, None, Vec::new());
    for sample in &day.samples {
        let second = (sample.at.0 - BEGIN) / 1_000;
        if sample.watts > settings.busy_watts {
            busy = true;
        }
        if sample.watts < settings.quiet_watts {
            let since = *quiet_since.get_or_insert(second);
            if second - since >= i64::try_from(settings.dwell.millis() / 1_000).unwrap() {
                busy = false;
            }
        } else {
            quiet_since = None;
        }
        if !busy {
            seconds.push(second);
        }
    }
    seconds
}

fn shops() -> Vec<Shop> {
    let mut shops = Vec::new();
    for (interval_secs, step_watts) in [(1, 0.1), (2, 0.1), (5, 1.0), (10, 0.1)] {
        for bell_shaped in [false, true] {
            for pause_secs in [20, 90] {
                for (pause_watts, jobs) in [(31.0, 1), (31.0, 4), (29.0, 4)] {
                    let idle_watts = 29.0;
                    shops.push(Shop {
                        interval_secs,
                        step_watts,
                        bell_shaped,
                        idle_watts,
                        pause_watts,
                        pause_secs,
                        jobs,
                    });
                }
            }
        }
    }
    shops
}

#[test]
fn what_a_dwell_tells_apart_is_proposed_and_cuts_no_job() {
    for shop in shops() {
        let day = shop.day();
        for marks in [shop.marks(), Marks::default()] {
            let what = format!(
                "{} s, {} W, pauses of {} s at {} W, {} jobs, {} marked, bell {}",
                shop.interval_secs,
                shop.step_watts,
                shop.pause_secs,
                shop.pause_watts,
                shop.jobs,
                marks.jobs.len(),
                shop.bell_shaped
            );
            let proposal = calibrate(std::slice::from_ref(&day), &marks, JobWorth::default())
                .unwrap_or_else(|refusal| panic!("{what}: {refusal}"));
            let cut = cut_at(&day, &proposal.settings);
            for number in 0..shop.jobs {
                let (from, until) = shop.job(number);
                assert!(!cut.iter().any(|second| (from..until).contains(second)), "{what}: {proposal:?}");
                let released = cut.iter().find(|second| **second >= until);
                assert!(
                    released.is_some_and(|at| at - until <= 15 * 60),
                    "{what}: {released:?} {proposal:?}"
                );
            }
        }
    }
}

/// Whoever looks at the picture sees what was marked, whether there is a proposal or not.
#[test]
fn a_refusal_can_be_looked_at() {
    let flat = Shop {
        interval_secs: 2,
        step_watts: 0.1,
        bell_shaped: false,
        idle_watts: 29.0,
        pause_watts: 29.0,
        pause_secs: 400,
        jobs: 1,
    };
    let mut day = flat.day();
    day.samples.iter_mut().for_each(|sample| sample.watts = sample.watts.min(29.0));
    let refusal = calibrate(std::slice::from_ref(&day), &flat.marks(), JobWorth::default()).unwrap_err();
    assert!(matches!(refusal, Refusal::Overlap { .. }), "{refusal}");
    let picture = bare_picture(&day, &flat.marks().jobs);
    assert_eq!((picture.curve.len(), picture.strips.len()), (day.samples.len(), 1));
    assert_eq!(picture.strips[0].stretches.len(), 1);
    assert!(picture.to_svg().contains("<svg"));
}

/// Two hundred jobs, and in one of them somebody changes the tool for 50 minutes: it is not worth to wait so long after
/// each.
#[test]
fn settings_that_would_have_cut_a_job_are_refused_with_every_way_out() {
    let motor = |second: i64| 400.0 + f64::from(i32::try_from(second / 10 % 5).unwrap());
    let jobs: Vec<(i64, i64)> =
        (0..200).map(|number| (number * 6_000 + 1_000, number * 6_000 + 4_500)).collect();
    let changes_tool = |second: i64| (601_500..604_400).contains(&second);
    let works = |second: i64| {
        jobs.iter().any(|(from, until)| (*from..*until).contains(&second)) && !changes_tool(second)
    };
    let samples = (0..1_201_000).step_by(10).map(|second| {
        let watts = if works(second) { motor(second) } else { 3.0 };
        Sample { at: WallTime(BEGIN + second * 1_000), watts }
    });
    let day =
        Take { name: "mill".to_owned(), samples: samples.collect(), late: 0, oddities: Oddities::default() };
    let at = |second: i64| WallTime(BEGIN + second * 1_000);
    let marks = |jobs: &[(i64, i64)]| Marks {
        jobs: jobs.iter().map(|(from, until)| Interval { from: at(*from), until: at(until - 10) }).collect(),
        quiet: Vec::new(),
    };
    let refusal = calibrate(std::slice::from_ref(&day), &marks(&jobs), JobWorth::default()).unwrap_err();
    let words = refusal.to_string();
    let Refusal::CutsAJob { proposal, .. } = &refusal else { panic!("{words}") };
    assert_eq!(proposal.evidence.jobs_hit, 1);
    let job = idlegate_plan::text::rfc3339(at(601_000));
    assert!(words.contains(&job) && words.contains("one of these jobs"), "{words}");
    assert!(words.contains("ended earlier") && words.contains("status"), "{words}");
    // The way out that it names leads out.
    let hours: u64 = words.split("--job-worth ").nth(1).unwrap().split('h').next().unwrap().parse().unwrap();
    let patient = calibrate(&[day], &marks(&jobs), JobWorth(Span::secs(hours * 3_600))).unwrap();
    assert!(patient.settings.dwell > Span::secs(2_900), "{:?}", patient.settings);
    assert!(words.contains(&patient.settings.dwell_text()), "{words}: {:?}", patient.settings);
}

/// A person who comes back late marks the end late. Nobody can tell that from a pause, so nothing is proposed.
#[test]
fn a_job_that_is_marked_as_working_long_after_it_went_quiet_is_asked_about() {
    let shop = Shop {
        interval_secs: 2,
        step_watts: 0.1,
        bell_shaped: false,
        idle_watts: 29.0,
        pause_watts: 31.0,
        pause_secs: 90,
        jobs: 1,
    };
    let (from, until) = shop.job(0);
    let at = |second: i64| WallTime(BEGIN + second * 1_000);
    let late = Marks { jobs: vec![Interval { from: at(from), until: at(until + 1_500) }], quiet: Vec::new() };
    let refusal = calibrate(&[shop.day()], &late, JobWorth::default()).unwrap_err().to_string();
    assert!(refusal.contains("ended earlier") && !refusal.contains("--job-worth"), "{refusal}");
}

#[test]
fn it_says_how_many_more_jobs_would_earn_which_dwell_and_they_do() {
    let shop = |jobs: i64| Shop {
        interval_secs: 5,
        step_watts: 1.0,
        bell_shaped: false,
        idle_watts: 29.0,
        pause_watts: 180.0,
        pause_secs: 0,
        jobs,
    };
    let of = |jobs: i64| {
        let shop = shop(jobs);
        calibrate(&[shop.day()], &shop.marks(), JobWorth::default()).unwrap()
    };
    let now = of(2);
    let (more, dwell) = now.evidence.dwell_if_more.unwrap();
    assert_eq!(of(2 + i64::try_from(more).unwrap()).settings.dwell, dwell);
    let said = words(&[], &now);
    assert_eq!(more, 1, "{said}");
    let told = format!("mark one job more: if it never pauses, a dwell of {dwell} will do");
    assert!(said.contains(&told), "{said}");
    assert_eq!(of(30).evidence.dwell_if_more, None, "there is nothing shorter");
}
