//! Warnings of an unusual draw. What unusual-draw is to warn of is learned on some days of a meter and tried on others:
//! as they were, where every warning is a false one, and with faults planted into them, where every silence is.

use anyhow::{Result, ensure};
use idlegate_guard::Switch;
use idlegate_guard::time::WallTime;
use idlegate_recordings::calibrate::unusual::{Past, Settings, learn, warnings};
use idlegate_recordings::calibrate::{Sample, Take};
use serde_json::{Value as Json, json};
use unusual_draw::watch::Unusual;

use super::meters::{Day, Meter};

/// At most one false warning in so many days.
const DAYS_A_FALSE_WARNING: usize = 100;
/// Longer than any limit.
const STUCK_HOURS: i64 = 25;
/// The outlet of a workshop machine is switched on so long before its first job.
const ON_BEFORE_MILLIS: i64 = 5 * 60_000;

/// A meter that says nothing for longer was silent.
const GAP_MILLIS: i64 = 60_000;

/// Which days are learned from, and which are new.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Split {
    /// The first half, and the rest.
    Halves,
    /// Each day once against all others.
    OneLeftOut,
    /// The first of them, however many, and the rest.
    EveryBeginning,
}

impl Split {
    fn of(self, days: usize) -> Vec<(Vec<usize>, Vec<usize>)> {
        let begins = |known: usize| ((0..known).collect(), (known..days).collect());
        match self {
            Split::Halves => vec![begins(days.div_ceil(2))],
            Split::OneLeftOut => {
                (0..days).map(|new| ((0..days).filter(|day| *day != new).collect(), vec![new])).collect()
            }
            Split::EveryBeginning => (1..days).map(begins).collect(),
        }
    }

    fn words(self) -> &'static str {
        match self {
            Split::Halves => "learned on the first half of the days, tried on the rest",
            Split::OneLeftOut => "learned on all days but one, tried on that one",
            Split::EveryBeginning => "learned on the first days, from one to all but one, tried on the rest",
        }
    }
}

/// What can go wrong with a machine, each with how often it was planted and how often it was told.
const FAULTS: [&str; 5] = ["30 % more", "stuck on", "dead at work", "stopped at half", "silent"];

#[derive(Default)]
struct Sum {
    days: usize,
    /// Of these days, those for which a limit had been learned at all.
    watched: usize,
    false_warnings: Vec<String>,
    missed: Vec<String>,
    planted: [usize; FAULTS.len()],
    told: [usize; FAULTS.len()],
}

/// Fails where people would be told too often, or not at all.
pub(crate) fn table(title: &str, meters: &[Meter], splits: &[Split]) -> Result<Json> {
    let mut figures = Vec::new();
    for split in splits {
        let mut sum = Sum::default();
        for meter in meters {
            for (known, new) in split.of(meter.days.len()) {
                let pasts: Vec<Past> = known.iter().map(|day| past(&meter.days[*day])).collect();
                let settings = learn(&pasts).settings;
                for day in new {
                    sum.try_on(&meter.name, &meter.days[day], &settings);
                }
            }
        }
        println!("\nunusual draws, {title}: {}", split.words());
        println!("  {}", sum.words());
        sum.false_warnings.iter().for_each(|warning| println!("  false: {warning}"));
        sum.missed.iter().for_each(|fault| println!("  missed: {fault}"));
        figures.push(json!({
            "split": split.words(),
            "days": sum.days,
            "watched": sum.watched,
            "false": sum.false_warnings.len(),
            "planted": sum.planted,
            "told": sum.told,
        }));
        let false_warnings = sum.false_warnings.len();
        ensure!(false_warnings * DAYS_A_FALSE_WARNING <= sum.watched, "{title}: warned falsely too often");
        ensure!(sum.told == sum.planted, "{title}: a planted fault was not told");
        ensure!(sum.planted.iter().any(|planted| *planted > 0), "{title}: nothing was learned");
    }
    Ok(Json::Array(figures))
}

/// Puts a fault into a day; not every day has room for each.
type Plant = fn(&Day, &Settings) -> Option<Past>;
/// Whether it is this fault that was told.
type Recognised = fn(Unusual) -> bool;

impl Sum {
    fn try_on(&mut self, meter: &str, day: &Day, settings: &Settings) {
        self.days += 1;
        self.watched += usize::from(!settings.is_empty());
        let told = warnings(&past(day), settings);
        let name = format!("{meter}, {}", day.take.name);
        let in_job = |at: WallTime| if day.at_work(at.0) { "in a job" } else { "at rest" };
        let in_words = |(at, what): &(WallTime, Unusual)| format!("{name}, {}: {what:?}", in_job(*at));
        self.false_warnings.extend(told.iter().map(in_words));
        let plants: [(bool, Plant, Recognised); FAULTS.len()] = [
            (settings.higher_than_watts.is_some(), higher, |it| matches!(it, Unusual::Higher { .. })),
            (settings.on_longer_than.is_some(), stuck, |it| matches!(it, Unusual::StuckOn { .. })),
            (settings.dead_after.is_some(), dead, |it| matches!(it, Unusual::Dead { .. })),
            (settings.work_shorter_than.is_some(), stopped, |it| matches!(it, Unusual::StoppedEarly { .. })),
            (settings.draws_within.is_some(), silent, |it| matches!(it, Unusual::Silent { .. })),
        ];
        for (fault, (is_watched, plant, is_it)) in plants.into_iter().enumerate() {
            let Some(past) = is_watched.then(|| plant(day, settings)).flatten() else { continue };
            self.planted[fault] += 1;
            let is_told = warnings(&past, settings).into_iter().any(|(_, unusual)| is_it(unusual));
            self.told[fault] += usize::from(is_told);
            if !is_told {
                self.missed.push(format!("{name}: {}, by {}", FAULTS[fault], settings.to_toml()));
            }
        }
    }

    fn words(&self) -> String {
        let faults = FAULTS.iter().zip(self.planted.iter().zip(&self.told));
        let faults: Vec<String> =
            faults.map(|(fault, (planted, told))| format!("{fault} {told} of {planted}")).collect();
        format!(
            "{} days, {} of them with a limit: {} false; told: {}",
            self.days,
            self.watched,
            self.false_warnings.len(),
            faults.join(", ")
        )
    }
}

/// Of a recording nobody knows when the outlet was switched; it counts as switched on when the recording begins.
fn on_at(day: &Day) -> WallTime {
    match (&day.file, day.jobs.first()) {
        (None, Some(job)) => WallTime(day.take.from().0.max(job.from.0 - ON_BEFORE_MILLIS)),
        (Some(_), _) | (None, None) => day.take.from(),
    }
}

fn past(day: &Day) -> Past {
    with(day, day.take.samples.clone())
}

/// The day with other draws; before its outlet is on it draws nothing.
fn with(day: &Day, mut samples: Vec<Sample>) -> Past {
    let on_at = on_at(day);
    samples.iter_mut().filter(|sample| sample.at < on_at).for_each(|sample| sample.watts = 0.0);
    let off_at = WallTime(day.take.from().0.min(on_at.0 - 1));
    Past::new(Take { samples, ..day.take.clone() }, vec![(off_at, Switch::Off), (on_at, Switch::On)])
}

fn changed(day: &Day, draw: impl Fn(&Sample) -> f64) -> Option<Past> {
    let other = |sample: &Sample| Sample { watts: draw(sample), ..*sample };
    Some(with(day, day.take.samples.iter().map(other).collect()))
}

fn higher(day: &Day, _: &Settings) -> Option<Past> {
    changed(day, |sample| sample.watts * 1.3)
}

/// A contactor has welded: from the first time that it is on it stays so.
fn stuck(day: &Day, settings: &Settings) -> Option<Past> {
    let watts = settings.on_watts? * 1.5;
    let on_at = on_at(day);
    let samples = &day.take.samples;
    let first = samples.iter().position(|sample| sample.at >= on_at && sample.watts > watts / 1.5)?;
    let from = samples[first].at.0;
    let stuck = (0..STUCK_HOURS * 720).map(|step| Sample { at: WallTime(from + step * 5_000), watts });
    Some(with(day, samples[..first].iter().copied().chain(stuck).collect()))
}

/// Its fuse blows in the middle of its longest job, or where it last worked before that: it may be paused over night.
fn dead(day: &Day, settings: &Settings) -> Option<Past> {
    let job = day.jobs.iter().max_by_key(|job| job.until.0 - job.from.0)?;
    let middle = job.from.0.midpoint(job.until.0);
    let work_watts = settings.work_watts?;
    let works = |sample: &&Sample| sample.at.0 <= middle && sample.watts > work_watts;
    let last = day.take.samples.iter().rfind(works)?.at.0;
    changed(day, |sample| if sample.at.0 <= last { sample.watts } else { 0.0 })
}

/// Its longest job ends when half of the shortest work so far is done. Until then and from then on it rests. Not where
/// the meter was silent meanwhile: then nobody knows how long it worked.
fn stopped(day: &Day, settings: &Settings) -> Option<Past> {
    let job = day.jobs.iter().max_by_key(|job| job.until.0 - job.from.0)?;
    let half = i64::try_from(settings.work_shortest?.as_millis() / 2).ok()?;
    let rest = day.take.samples.iter().map(|sample| sample.watts).fold(f64::MAX, f64::min);
    let at_work = job.from.0..job.from.0 + half;
    let seen = job.from.0 - GAP_MILLIS..at_work.end + GAP_MILLIS;
    let around: Vec<&Sample> = day.take.samples.iter().filter(|it| seen.contains(&it.at.0)).collect();
    if around.windows(2).any(|pair| pair[1].at.0 - pair[0].at.0 > GAP_MILLIS) {
        return None;
    }
    changed(day, |sample| if at_work.contains(&sample.at.0) { sample.watts } else { rest })
}

fn silent(day: &Day, _: &Settings) -> Option<Past> {
    changed(day, |_| 0.0)
}
