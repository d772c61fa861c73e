//! The recordings, by meter, with their true jobs.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use idlegate_recordings::calibrate::{Interval, Marks, Take};

pub(crate) struct Meter {
    /// Class and meter, as the files are named.
    pub(crate) name: String,
    pub(crate) days: Vec<Day>,
}

pub(crate) struct Day {
    pub(crate) take: Take,
    pub(crate) jobs: Vec<Interval>,
    /// Where it was read from, if it was.
    pub(crate) file: Option<PathBuf>,
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
        let file = folder.join(&name);
        let mut take = Take::read(&file, None)?;
        take.name.clone_from(&name);
        let day = Day { take, jobs: jobs.get(&name).cloned().unwrap_or_default(), file: Some(file) };
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

/// The jobs of these days, as somebody who was there marks them.
pub(crate) fn marks(days: &[Day]) -> Marks {
    Marks { jobs: days.iter().flat_map(|day| day.jobs.clone()).collect(), quiet: Vec::new() }
}

impl Day {
    /// Stamps and draws, in order of time.
    pub(crate) fn draws(&self) -> impl Iterator<Item = (i64, f64)> + '_ {
        self.take.samples.iter().map(|sample| (sample.at.0, sample.watts))
    }

    pub(crate) fn at_work(&self, at: i64) -> bool {
        self.jobs.iter().any(|job| job.from.0 <= at && at <= job.until.0)
    }

    /// The longest time below the level inside this job.
    pub(crate) fn longest_pause_secs(&self, job: Interval, level_watts: f64) -> f64 {
        let (mut longest, mut since) = (0, None);
        for (at, watts) in self.draws().filter(|(at, _)| job.from.0 <= *at && *at <= job.until.0) {
            match since {
                Some(from) if watts > level_watts => {
                    longest = longest.max(at - from);
                    since = None;
                }
                None if watts <= level_watts => since = Some(at),
                Some(_) | None => {}
            }
        }
        secs(longest)
    }
}

pub(crate) fn secs(millis: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a day has few milliseconds")]
    let millis = millis as f64;
    millis / 1_000.0
}

/// Of the middle ones of an even number, the greater.
pub(crate) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
