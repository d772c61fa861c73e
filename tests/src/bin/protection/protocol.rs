//! Who knows what when: four ways in which a machine comes to its settings, and what each lets happen on later days.

use std::collections::BTreeMap;

use anyhow::{Context, Result};
use idlegate_detectors::Modules;
use idlegate_guard::time::Span;
use idlegate_recordings::calibrate::{JobWorth, Marks, Settings, Take, calibrate};
use serde_json::{Value as Json, json};

use super::meters::{Day, Meter, marks, median};
use super::references::PlainDwell;
use super::score::{self, JobScore};

/// A job whose pause is as long is listed apart: what looks finished for so long is meant to be let go.
const PAUSE_MAX_SECS: f64 = 900.0;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Protocol {
    /// Its first day with a job, the jobs marked.
    FirstMarked,
    FirstUnmarked,
    /// All days before, the jobs confirmed each evening.
    Confirmed,
    /// All days before, and nobody says anything.
    Unconfirmed,
}

impl Protocol {
    pub(crate) const ALL: [Protocol; 4] =
        [Protocol::FirstMarked, Protocol::FirstUnmarked, Protocol::Confirmed, Protocol::Unconfirmed];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Protocol::FirstMarked => "first day marked",
            Protocol::FirstUnmarked => "first day unmarked",
            Protocol::Confirmed => "history grows, jobs confirmed each evening",
            Protocol::Unconfirmed => "history grows, nobody confirms",
        }
    }

    fn marked(self) -> bool {
        matches!(self, Protocol::FirstMarked | Protocol::Confirmed)
    }

    /// The days to learn from, and those to be judged on.
    fn lessons(self, meter: &Meter) -> Vec<(&[Day], &[Day])> {
        let days = &meter.days;
        let first = days.iter().position(|day| !day.jobs.is_empty()).unwrap_or(0);
        match self {
            Protocol::FirstMarked | Protocol::FirstUnmarked => {
                vec![(&days[first..=first], &days[..first]), (&days[first..=first], &days[first + 1..])]
            }
            Protocol::Confirmed | Protocol::Unconfirmed => {
                (first + 1..days.len()).map(|day| (&days[..day], &days[day..=day])).collect()
            }
        }
    }
}

#[derive(Clone, Copy, Debug)]
pub(crate) enum Guard {
    /// Calibration, and no dwell below this floor.
    Ours {
        worth: JobWorth,
        floor: Span,
    },
    Plain {
        floor_secs: u32,
    },
}

/// What came of one meter.
pub(crate) struct Row {
    pub(crate) meter: String,
    /// Of the last settings, or why there were none.
    settings: String,
    pub(crate) jobs: Vec<JobRow>,
    /// Until off was possible on the last day with jobs, median; infinite where it was possible after none of them.
    pub(crate) last_day_secs: Option<f64>,
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct JobRow {
    pub(crate) score: JobScore,
    /// It pauses for so long that it is not counted.
    pub(crate) long_pause: bool,
}

/// What came of all meters.
pub(crate) struct Judged {
    protocol: Protocol,
    pub(crate) rows: Vec<Row>,
}

/// Whose answers count: the whole guard's, with every reading through engine, rules and the detector in its sandbox, or
/// those of the detector's own rules alone.
#[derive(Clone, Copy)]
pub(crate) enum Asked<'a> {
    Guard(&'a Modules),
    /// The whole guard on the last day, its detector's rules on those before.
    GuardAtLast(&'a Modules),
    Detector,
}

impl Asked<'_> {
    fn modules(&self, last_day: bool) -> Option<&Modules> {
        match self {
            Asked::Guard(modules) => Some(modules),
            Asked::GuardAtLast(modules) => last_day.then_some(modules),
            Asked::Detector => None,
        }
    }
}

/// When power could be cut on a day.
type Answer<'a> = Box<dyn Fn(&Day) -> Result<score::Stretches> + 'a>;

/// Where calibration refuses a day, power is
/// held all through the days that were to be judged by it.
pub(crate) fn judge(meter: &Meter, protocol: Protocol, guard: Guard, asked: Asked<'_>) -> Result<Row> {
    let mut row =
        Row { meter: meter.name.clone(), settings: String::new(), jobs: vec![], last_day_secs: None };
    let last = meter.days.last().context("a meter has days")?;
    for (history, days) in protocol.lessons(meter).into_iter().filter(|(_, days)| !days.is_empty()) {
        let answer: Answer<'_> = match guard {
            Guard::Plain { floor_secs } => {
                let plain = PlainDwell::learnt(history, floor_secs);
                row.settings = plain.settings();
                Box::new(move |day| Ok(plain.lets_go(day)))
            }
            Guard::Ours { worth, floor } => match proposed(history, protocol, worth, floor) {
                Ok(settings) => {
                    row.settings = format!("{} W, {}", settings.quiet_watts, settings.dwell_text());
                    Box::new(move |day| match asked.modules(std::ptr::eq(day, last)).zip(day.file.as_ref()) {
                        Some((modules, file)) => score::guarded(file, &settings, modules)
                            .with_context(|| format!("replaying {}", day.take.name)),
                        None => Ok(score::detected(day, &settings)),
                    })
                }
                Err(refusal) => {
                    row.settings = format!("held: {refusal}");
                    Box::new(|_| Ok(score::Stretches::default()))
                }
            },
        };
        for day in days {
            let scores = score::score(day, &answer(day)?);
            if !scores.is_empty() {
                let released = median(scores.iter().filter_map(|job| job.released_secs).collect());
                row.last_day_secs = released.or(Some(f64::INFINITY));
            }
            let level = day.idle_watts_max() + 2.0;
            row.jobs.extend(day.jobs.iter().zip(scores).map(|(job, score)| JobRow {
                score,
                long_pause: day.longest_pause_secs(*job, level) >= PAUSE_MAX_SECS,
            }));
        }
    }
    Ok(row)
}

fn proposed(history: &[Day], protocol: Protocol, worth: JobWorth, floor: Span) -> Result<Settings, String> {
    let takes: Vec<Take> = history.iter().map(|day| day.take.clone()).collect();
    let marks = if protocol.marked() { marks(history) } else { Marks::default() };
    let proposal = calibrate(&takes, &marks, worth).map_err(|refusal| refusal.to_string())?;
    let mut settings = proposal.settings;
    settings.dwell = settings.dwell.max(floor);
    Ok(settings)
}

impl Day {
    /// What it draws at most outside of jobs, but for one reading in two hundred.
    fn idle_watts_max(&self) -> f64 {
        let mut idle: Vec<f64> =
            self.draws().filter(|(at, _)| !self.at_work(*at)).map(|(_, watts)| watts).collect();
        idle.sort_unstable_by(f64::total_cmp);
        idle.get((idle.len() * 199 / 200).min(idle.len().saturating_sub(1))).copied().unwrap_or(0.0)
    }
}

impl Row {
    /// Jobs, those hit, those with a long pause, and those of them that were hit.
    fn counts(&self) -> [usize; 4] {
        let of = |long: bool, hit: bool| {
            self.jobs.iter().filter(|job| job.long_pause == long && (job.score.hit || !hit)).count()
        };
        [of(false, false), of(false, true), of(true, false), of(true, true)]
    }

    fn released(&self) -> Vec<f64> {
        self.jobs.iter().filter_map(|job| job.score.released_secs).collect()
    }

    fn print(&self) {
        let [jobs, hit, long, long_hit] = self.counts();
        let minutes = |secs: Option<f64>| match secs {
            Some(secs) if secs.is_finite() => format!("{:.1}", secs / 60.0),
            Some(_) => "never".to_owned(),
            None => "-".to_owned(),
        };
        let most = self.released().into_iter().reduce(f64::max);
        println!(
            "  {:<24}{jobs:>5}{hit:>5}{:>9}{:>9}{:>9}{:>10}   {}",
            self.meter,
            format!("{long_hit}/{long}"),
            minutes(median(self.released())),
            minutes(most),
            minutes(self.last_day_secs),
            self.settings
        );
    }
}

impl Judged {
    pub(crate) fn none(protocol: Protocol) -> Judged {
        Judged { protocol, rows: Vec::new() }
    }

    pub(crate) fn all(
        meters: &[Meter],
        protocol: Protocol,
        guard: Guard,
        asked: Asked<'_>,
    ) -> Result<Judged> {
        let rows = meters.iter().map(|meter| judge(meter, protocol, guard, asked));
        Ok(Judged { protocol, rows: rows.collect::<Result<Vec<_>>>()? })
    }

    pub(crate) fn counts(&self) -> [usize; 4] {
        self.rows.iter().fold([0; 4], |sum, row| {
            let mut counts = row.counts();
            counts.iter_mut().zip(sum).for_each(|(count, before)| *count += before);
            counts
        })
    }

    /// The median over meters of each one's median release, of all its judged days or of the last.
    pub(crate) fn release_minutes(&self, last_day: bool) -> Option<f64> {
        let of = |row: &Row| if last_day { row.last_day_secs } else { median(row.released()) };
        median(self.rows.iter().filter_map(of).collect()).map(|secs| secs / 60.0)
    }

    pub(crate) fn sum(&self) -> String {
        let [jobs, hit, long, long_hit] = self.counts();
        let minutes = |last| self.release_minutes(last).map_or("-".to_owned(), |it| format!("{it:.1} min"));
        format!(
            "{}: {hit} of {jobs} jobs hit, and {long_hit} of {long} that pause for a quarter of an hour or more; off possible \
             after {} (median over meters), on the last day after {}",
            self.protocol.name(),
            minutes(false),
            minutes(true)
        )
    }

    pub(crate) fn print(&self) {
        println!(
            "\n{}\n  {:<24}{:>5}{:>5}{:>9}{:>9}{:>9}{:>10}   settings at last",
            self.protocol.name(),
            "meter",
            "jobs",
            "hit",
            "long hit",
            "median",
            "most",
            "last day"
        );
        self.rows.iter().for_each(Row::print);
        println!("  {}", self.sum());
    }

    /// Summed up by the first word of their names.
    pub(crate) fn print_kinds(&self) {
        let mut kinds: BTreeMap<&str, [usize; 4]> = BTreeMap::new();
        for row in &self.rows {
            let kind = row.meter.split('-').next().unwrap_or_default();
            let sums = kinds.entry(kind).or_default();
            sums.iter_mut().zip(row.counts()).for_each(|(sum, count)| *sum += count);
        }
        for (kind, [jobs, hit, long, long_hit]) in kinds {
            println!(
                "    {kind:<10}{hit:>4} of {jobs:>4} hit, {long_hit:>3} of {long:>3} with a longer pause"
            );
        }
    }

    pub(crate) fn as_json(&self) -> Json {
        let row = |row: &Row| {
            let [jobs, hit, long, long_hit] = row.counts();
            json!({
                "meter": row.meter, "settings": row.settings, "jobs": jobs, "jobs_hit": hit,
                "jobs_with_long_pause": long, "of_those_hit": long_hit,
                "release_median_seconds": median(row.released()), "last_day_median_seconds": row.last_day_secs,
            })
        };
        json!({ "protocol": self.protocol.name(), "meters": self.rows.iter().map(row).collect::<Vec<_>>() })
    }
}

#[cfg(test)]
mod tests {
    use idlegate_guard::time::WallTime;
    use idlegate_recordings::calibrate::{FLOOR, Interval, Sample};
    use idlegate_recordings::recording::Oddities;

    use super::*;

    /// A machine that always draws the same is marked as working all day: nothing is left to be idle.
    fn day(name: &str) -> Day {
        let at = |minute: i64| WallTime(1_764_000_000_000 + minute * 60_000);
        let samples = (0..600).map(|minute| Sample { at: at(minute), watts: 300.0 }).collect();
        let take = Take { name: name.to_owned(), samples, late: 0, oddities: Oddities::default() };
        Day { take, jobs: vec![Interval { from: at(0), until: at(599) }], file: None }
    }

    #[test]
    fn a_refusal_is_a_row_and_counts_as_held() {
        let meter = Meter { name: "furnace-1".to_owned(), days: vec![day("monday"), day("tuesday")] };
        let ours = Guard::Ours { worth: JobWorth::default(), floor: FLOOR };
        let row = judge(&meter, Protocol::FirstMarked, ours, Asked::Detector).unwrap();
        assert!(row.settings.starts_with("held: the machine is never idle"), "{}", row.settings);
        assert_eq!(row.counts(), [1, 0, 0, 0]);
        assert!(row.released().is_empty());
        let last_day = row.last_day_secs.unwrap();
        assert!(last_day.is_infinite(), "an earlier day does not stand for one on which it was held");
    }
}
