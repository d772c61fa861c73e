//! Simulated workshop machines. No recording of one is at hand, so here simulation is all there is: what a filament
//! printer, a laser cutter, a mill and a kiln do is written down as their users know it, with lengths and draws at
//! random.

use anyhow::Result;
use idlegate_guard::time::WallTime;
use idlegate_recordings::calibrate::{FLOOR, Interval, JobWorth, Sample, Take};
use idlegate_recordings::recording::Oddities;
use serde_json::Value as Json;

use super::meters::{Day, Meter};
use super::protocol::{Asked, Guard, Judged, Protocol};

const DAYS: usize = 8;
const STEP_SECS: u64 = 10;
const DAY_SECS: u64 = 86_400;

pub(crate) fn table(machines: usize) -> Result<Json> {
    println!("\n{machines} simulated workshop machines, {DAYS} days each");
    let meters = self::machines(machines);
    let ours = Guard::Ours { worth: JobWorth::default(), floor: FLOOR };
    let mut tables = Vec::new();
    for protocol in Protocol::ALL {
        let judged = Judged::all(&meters, protocol, ours, Asked::Detector)?;
        println!("  {}", judged.sum());
        judged.print_kinds();
        tables.push(judged.as_json());
    }
    Ok(Json::Array(tables))
}

pub(crate) fn machines(count: usize) -> Vec<Meter> {
    (0..count).map(machine).collect()
}

/// SplitMix64 (Steele, Lea, Flood 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    fn between(&mut self, least: u64, most: u64) -> u64 {
        least + self.next() % (most - least + 1)
    }

    fn one_in(&mut self, count: u64) -> bool {
        self.next().is_multiple_of(count)
    }
}

#[derive(Clone, Copy)]
enum Kind {
    Printer,
    Laser,
    Mill,
    Kiln,
}

/// A machine of its kind, with its own habits.
struct Habits {
    kind: Kind,
    idle_watts: u64,
    working_watts: u64,
    /// What runs on after a job, and for how long.
    after: (u64, u64),
    jobs_a_day: u64,
}

fn machine(number: usize) -> Meter {
    let mut random = Random(u64::try_from(number).unwrap_or(0) * 7_919 + 1);
    let (kind, name) =
        [(Kind::Printer, "printer"), (Kind::Laser, "laser"), (Kind::Mill, "mill"), (Kind::Kiln, "kiln")]
            [number % 4];
    let habits = match kind {
        Kind::Printer => Habits {
            kind,
            idle_watts: random.between(5, 40),
            working_watts: random.between(90, 300),
            after: (0, 0),
            jobs_a_day: random.between(1, 3),
        },
        Kind::Laser => Habits {
            kind,
            idle_watts: random.between(20, 60),
            working_watts: random.between(300, 1_200),
            after: (random.between(25, 60), random.between(120, 480)),
            jobs_a_day: random.between(2, 6),
        },
        Kind::Mill => Habits {
            kind,
            idle_watts: random.between(10, 80),
            working_watts: random.between(250, 1_500),
            after: (0, 0),
            jobs_a_day: random.between(1, 4),
        },
        Kind::Kiln => Habits {
            kind,
            idle_watts: random.between(1, 8),
            working_watts: random.between(2_000, 9_000),
            after: (0, 0),
            jobs_a_day: 1,
        },
    };
    let days = (0..DAYS).map(|day| day_of(&habits, day, &mut random)).collect();
    Meter { name: format!("{name}-{number}"), days }
}

fn day_of(habits: &Habits, day: usize, random: &mut Random) -> Day {
    let start = 1_764_000_000_000 + i64::try_from(day).unwrap_or(0) * 86_400_000;
    let at = |secs: u64| WallTime(start + i64::try_from(secs).unwrap_or(0) * 1_000);
    let steps = usize::try_from(DAY_SECS / STEP_SECS).unwrap_or(0);
    let mut draws = vec![habits.idle_watts; steps];
    let mut jobs = Vec::new();
    let mut clock = random.between(2_000, 12_000);
    for _ in 0..habits.jobs_a_day {
        let from = clock;
        for (watts, secs) in job(habits, random) {
            fill(&mut draws, clock, secs, watts);
            clock += secs;
        }
        if clock + 4_000 > DAY_SECS {
            // It would go on past the end of the recording.
            fill(&mut draws, from, DAY_SECS, habits.idle_watts);
            break;
        }
        jobs.push(Interval { from: at(from), until: at(clock - STEP_SECS) });
        fill(&mut draws, clock, habits.after.1, habits.idle_watts + habits.after.0);
        clock += habits.after.1 + random.between(1_200, 12_000);
    }
    #[expect(clippy::cast_precision_loss, reason = "watts")]
    let noise = |watts: u64, stray: u64| (watts * 10 + stray) as f64 / 10.0;
    let samples = (0u64..).zip(&draws).map(|(step, watts)| Sample {
        at: at(step * STEP_SECS),
        watts: noise(*watts, random.between(0, 9 + watts / 40)),
    });
    let name = format!("day {day}");
    let take = Take { name, samples: samples.collect(), late: 0, oddities: Oddities::default() };
    Day { take, jobs, file: None }
}

fn fill(draws: &mut [u64], from: u64, secs: u64, watts: u64) {
    let index = |secs: u64| usize::try_from(secs / STEP_SECS).unwrap_or(usize::MAX).min(draws.len());
    let (from, until) = (index(from), index(from + secs));
    draws[from..until].fill(watts);
}

/// Draws and for how long, one after the other. A job ends with work.
fn job(habits: &Habits, random: &mut Random) -> Vec<(u64, u64)> {
    let (idle, working) = (habits.idle_watts, habits.working_watts);
    let mut job = vec![(working, random.between(30, 60) * STEP_SECS)];
    let cycles = match habits.kind {
        Kind::Printer => random.between(40, 200),
        Kind::Laser => random.between(2, 12),
        Kind::Mill => random.between(3, 10),
        Kind::Kiln => random.between(20, 50),
    };
    // The filament is changed after twenty minutes, in a job of six; a job of forty is paused until the next morning.
    let change =
        (matches!(habits.kind, Kind::Printer) && random.one_in(6)).then(|| random.between(2, cycles));
    let overnight = random.one_in(40).then(|| random.between(2, cycles));
    for cycle in 0..cycles {
        let pause = match habits.kind {
            // Its bed heats in bursts; the nozzle and the motors show in between.
            Kind::Printer => (idle + 30, random.between(2, 8) * STEP_SECS),
            // A new sheet is laid in.
            Kind::Laser => (idle, random.between(2, 18) * STEP_SECS),
            // A tool is changed.
            Kind::Mill => (idle, random.between(6, 48) * STEP_SECS),
            // At the soak the elements rest longer and longer.
            Kind::Kiln => (idle, (random.between(3, 9) + cycle / 4) * STEP_SECS * 3),
        };
        job.push(pause);
        if change == Some(cycle) {
            job.push((idle, random.between(120, 180) * STEP_SECS / 10 * 9));
        }
        if overnight == Some(cycle) {
            job.push((idle, random.between(2_200, 3_600) * STEP_SECS));
        }
        let burst = match habits.kind {
            Kind::Printer => random.between(2, 6),
            Kind::Laser => random.between(6, 60),
            Kind::Mill => random.between(18, 90),
            Kind::Kiln => random.between(6, 30),
        };
        job.push((working, burst * STEP_SECS));
    }
    job
}
