//! Protection on real machines: for every meter, calibrate on its first day with a job, then ask all through its other
//! days whether power could have been cut. What comes out must be what README says.

mod claims;
mod meters;
mod references;
mod score;

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use clap::Parser;
use idlegate::calibrate::calibrate;
use idlegate::detectors::Execution;
use idlegate::service::Modules;
use idlegate_tests::form::Form;
use idlegate_tests::open_data;
use meters::Meter;
use score::Score;
use serde_json::{Value as Json, json};

/// Calibrates every meter on one day, and asks all through its other days whether power could have been cut
///
/// The recordings are those of IDLEGATE_OPEN_DATA, and the figures are held against what README says of them. The short
/// form is the whole of it: it takes seconds.
#[derive(Parser)]
struct Args {
    /// Other recordings *.csv.gz and their jobs.csv, of which README says nothing
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Calibrate on each day with a job in turn, and sum up: other figures than README's
    #[arg(long)]
    every_day: bool,
    /// Let calibration find the jobs of its day by itself: other figures than README's
    #[arg(long)]
    unmarked: bool,
    #[command(flatten)]
    form: Form,
}

/// The parts of the recordings of which README speaks.
const PARTS: [&str; 2] = ["power", "power-hard"];

/// The guards that are compared.
const GUARDS: [&str; 3] = ["calibrated", "learnt dwell", "bare rule"];

fn main() -> Result<()> {
    let args = Args::parse();
    let modules = Modules::new(Execution::Automatic, None)?;
    println!("learnt dwell: {}\nbare rule: {}", references::LEARNT_DWELL, references::BARE_RULE);
    let mut measured = Vec::new();
    if let Some(folder) = &args.data {
        measured.push(("", measure(folder, &modules, &args)?));
    } else {
        for part in PARTS {
            match open_data::part(part) {
                Ok(folder) => measured.push((part, measure(&folder, &modules, &args)?)),
                Err(skipped) => println!("protection: {skipped}"),
            }
        }
    }
    let figures = measured.iter().map(|(_, measured)| measured.as_json()).collect::<Vec<_>>();
    args.form.write(&json!({ "folders": figures }))?;
    if args.data.is_some() || args.every_day || args.unmarked {
        println!("\nprotection: measured; README says nothing of these figures");
        return Ok(());
    }
    println!();
    for (part, measured) in &measured {
        claims::check(part, measured)?;
    }
    let jobs: usize = measured.iter().map(|(_, measured)| measured.totals[0].jobs).sum();
    match measured.len() {
        0 => println!("protection: no recordings, so nothing was tried"),
        count if count < PARTS.len() => {
            println!("protection: {jobs} jobs, as README says; the rest was skipped")
        }
        _ => println!("protection: {jobs} jobs, as README says"),
    }
    Ok(())
}

/// What came of one folder.
struct Measured {
    folder: PathBuf,
    rows: Vec<Row>,
    totals: [Score; 3],
}

/// What came of one meter.
struct Row {
    meter: String,
    scores: [Score; 3],
    /// What was proposed last, or why nothing was.
    settings: String,
    release_limit_secs: f64,
}

fn measure(folder: &Path, modules: &Modules, args: &Args) -> Result<Measured> {
    println!("\n{}", folder.display());
    println!(
        "{:<26}{:<13}{:>5}{:>8}{:>6}{:>10}{:>9}{:>9}{:>7}   settings",
        "meter", "guard", "jobs", "hours", "hit", "cut share", "median s", "p90 s", "limit"
    );
    let mut totals: [Score; 3] = Default::default();
    let mut rows = Vec::new();
    for meter in &meters::load(folder)? {
        let row = judge(folder, meter, modules, args)?;
        row.print();
        totals.iter_mut().zip(&row.scores).for_each(|(total, score)| total.add(score));
        rows.push(row);
    }
    for (guard, total) in GUARDS.iter().zip(&totals) {
        println!("{:<26}{guard:<13}{}", "all", total.row());
    }
    let late: Vec<&str> = rows.iter().filter(|row| row.is_late()).map(|row| row.meter.as_str()).collect();
    if !late.is_empty() {
        println!("later than twice the longest pause or three minutes: {}", late.join(", "));
    }
    Ok(Measured { folder: folder.to_owned(), rows, totals })
}

/// The scores of the three guards on all days but the one that each was calibrated on. Where calibration refuses a day,
/// none of them is asked.
fn judge(folder: &Path, meter: &Meter, modules: &Modules, args: &Args) -> Result<Row> {
    let days = meter.days.iter().enumerate().filter(|(_, day)| !day.jobs.is_empty());
    let mut scores: [Score; 3] = Default::default();
    let mut settings = String::new();
    let mut level = 0.0;
    for (chosen, day) in days.take(if args.every_day { usize::MAX } else { 1 }) {
        let marks = if args.unmarked { Default::default() } else { day.marks() };
        let proposal = match calibrate(std::slice::from_ref(&day.take), &marks) {
            Ok(proposal) => proposal,
            Err(refusal) => {
                settings = format!("none: {refusal} ({})", day.take.name);
                continue;
            }
        };
        level = proposal.settings.quiet_watts;
        settings = format!("{level} W, {}", proposal.settings.dwell_text());
        for other in meter.days.iter().enumerate().filter(|(index, _)| *index != chosen).map(|(_, day)| day) {
            let answers = score::calibrated(folder, other, &proposal.settings, modules)
                .with_context(|| format!("replaying {}", other.take.name))?;
            scores[0].note(other, &answers);
            scores[1].note(other, &references::learnt_dwell(day, other).answers(other));
            scores[2].note(other, &references::bare_rule(day, other).answers(other));
        }
    }
    let release_limit_secs = meter.release_limit_secs(&level);
    Ok(Row { meter: meter.name.clone(), scores, settings, release_limit_secs })
}

impl Row {
    fn print(&self) {
        if self.scores[0].jobs == 0 {
            return println!("{:<26}{:<55}   {}", self.meter, "no proposal", self.settings);
        }
        for (place, (guard, score)) in GUARDS.iter().zip(&self.scores).enumerate() {
            let (name, note) = if place == 0 { (&*self.meter, &*self.settings) } else { ("", "") };
            println!("{name:<26}{guard:<13}{}{:>7.0}   {note}", score.row(), self.release_limit_secs);
        }
    }

    fn is_late(&self) -> bool {
        self.scores[0].median_secs().is_some_and(|median| median > self.release_limit_secs)
    }
}

impl Measured {
    /// How many meters were judged.
    fn meters(&self) -> usize {
        self.rows.iter().filter(|row| row.scores[0].jobs > 0).count()
    }

    fn jobs_of(&self, class: &str) -> usize {
        let rows = self.rows.iter().filter(|row| row.meter.starts_with(class));
        rows.map(|row| row.scores[0].jobs).sum()
    }

    fn as_json(&self) -> Json {
        let meter = |row: &Row| {
            let scores = GUARDS.iter().zip(&row.scores);
            json!({
                "meter": row.meter, "settings": row.settings, "release_limit_seconds": row.release_limit_secs,
                "guards": scores.map(|(guard, score)| score.as_json(guard)).collect::<Vec<_>>(),
            })
        };
        let meters: Vec<Json> = self.rows.iter().map(meter).collect();
        json!({ "folder": self.folder.display().to_string(), "meters": meters })
    }
}

#[cfg(test)]
mod tests {
    use idlegate::calibrate::{Interval, Sample, Take};
    use idlegate::recording::Oddities;
    use idlegate::time::WallTime;

    use super::*;
    use crate::meters::Day;

    /// A machine that always draws the same is marked as working all day: nothing is left to be idle.
    fn day(name: &str) -> Day {
        let at = |minute: i64| WallTime(1_764_000_000_000 + minute * 60_000);
        let samples = (0..600).map(|minute| Sample { at: at(minute), watts: 300.0 }).collect();
        let take = Take { name: name.to_owned(), samples, late: 0, oddities: Oddities::default() };
        Day { take, jobs: vec![Interval { from: at(0), until: at(599) }] }
    }

    #[test]
    fn a_meter_without_a_proposal_is_a_row_and_none_of_the_meters_that_were_judged() {
        let meter = Meter { name: "furnace-1".to_owned(), days: vec![day("monday"), day("tuesday")] };
        let modules = Modules::new(Execution::Automatic, None).unwrap();
        let row = judge(Path::new("."), &meter, &modules, &Args::parse_from(["protection"])).unwrap();
        assert!(row.settings.starts_with("none: the machine is never idle"), "{}", row.settings);
        let measured = Measured { folder: PathBuf::new(), rows: vec![row], totals: Default::default() };
        assert_eq!((measured.meters(), measured.jobs_of("furnace")), (0, 0));
    }
}
