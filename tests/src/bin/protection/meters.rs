//! The recordings, by meter, with their true jobs.

use std::collections::BTreeMap;
use std::path::Path;

use anyhow::{Context, Result};
use idlegate::calibrate::{Interval, Marks, Take};

pub(crate) struct Meter {
    /// Class and meter, as the files are named.
    pub(crate) name: String,
    pub(crate) days: Vec<Day>,
}

pub(crate) struct Day {
    pub(crate) take: Take,
    pub(crate) jobs: Vec<Interval>,
}

pub(crate) fn load(folder: &Path) -> Result<Vec<Meter>> {
    let jobs = jobs(&folder.join("jobs.csv"))?;
    let mut names: Vec<String> = std::fs::read_dir(folder)?
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| name.ends_with(".csv.gz"))
        .collect();
    names.sort_unstable();
    let mut meters: Vec<Meter> = Vec::new();
    for name in names {
        let meter: String = name.splitn(3, '-').take(2).collect::<Vec<_>>().join("-");
        let mut take = Take::read(&folder.join(&name), None)?;
        take.name.clone_from(&name);
        let day = Day { take, jobs: jobs.get(&name).cloned().unwrap_or_default() };
        match meters.last_mut() {
            Some(last) if last.name == meter => last.days.push(day),
            Some(_) | None => meters.push(Meter { name: meter, days: vec![day] }),
        }
    }
    meters.retain(|meter| meter.days.len() > 1 && meter.days.iter().any(|day| !day.jobs.is_empty()));
    Ok(meters)
}

fn jobs(path: &Path) -> Result<BTreeMap<String, Vec<Interval>>> {
    let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
    let mut jobs: BTreeMap<String, Vec<Interval>> = BTreeMap::new();
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let [recording, start, end, ..] = cells[..] else { continue };
        let job = format!("{start}/{end}").parse().with_context(|| line.to_owned())?;
        jobs.entry(recording.to_owned()).or_default().push(job);
    }
    Ok(jobs)
}

impl Day {
    pub(crate) fn marks(&self) -> Marks {
        Marks { jobs: self.jobs.clone(), quiet: Vec::new() }
    }

    /// Stamps and draws, in order of time.
    pub(crate) fn draws(&self) -> impl Iterator<Item = (i64, f64)> + '_ {
        self.take.samples.iter().map(|sample| (sample.at.0, sample.watts))
    }

    pub(crate) fn at_work(&self, at: i64) -> bool {
        self.jobs.iter().any(|job| job.from.0 <= at && at <= job.until.0)
    }
}

impl Meter {
    /// Twice the longest pause inside any job of the meter, or three minutes if that is more.
    pub(crate) fn release_limit_secs(&self, level_watts: &f64) -> f64 {
        let longest = self.days.iter().map(|day| longest_pause_secs(day, *level_watts)).fold(0.0, f64::max);
        (2.0 * longest).max(180.0)
    }
}

/// The longest time below the level inside a job of this day.
pub(crate) fn longest_pause_secs(day: &Day, level_watts: f64) -> f64 {
    let mut longest: i64 = 0;
    for job in &day.jobs {
        let mut since = None;
        for (at, watts) in day.draws().filter(|(at, _)| job.from.0 <= *at && *at <= job.until.0) {
            match since {
                Some(from) if watts > level_watts => {
                    longest = longest.max(at - from);
                    since = None;
                }
                None if watts <= level_watts => since = Some(at),
                Some(_) | None => {}
            }
        }
    }
    secs(longest)
}

pub(crate) fn secs(millis: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a day has few milliseconds")]
    let millis = millis as f64;
    millis / 1_000.0
}
