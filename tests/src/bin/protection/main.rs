//! Protection on real machines: for every meter, calibrate on its first day with a job, then ask all through its other
//! days whether power could have been cut.

mod meters;
mod references;
mod score;

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use clap::Parser;
use idlegate::calibrate::calibrate;
use idlegate::detectors::Execution;
use idlegate::service::Modules;
use idlegate_tests::form::Form;
use meters::Meter;
use score::Score;
use serde_json::json;

/// Calibrates every meter on one day, and asks all through its other days whether power could have been cut
///
/// The short form is the whole of it: it takes seconds.
#[derive(Parser)]
struct Args {
    /// Recordings *.csv.gz and jobs.csv [default: $IDLEGATE_OPEN_DATA/power, else ../shared/open-data/power]
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Calibrate on each day with a job in turn, and sum up
    #[arg(long)]
    every_day: bool,
    /// Let calibration find the jobs of its day by itself
    #[arg(long)]
    unmarked: bool,
    #[command(flatten)]
    form: Form,
}

/// The guards that are compared.
const GUARDS: [&str; 3] = ["calibrated", "learnt dwell", "bare rule"];

fn main() -> Result<()> {
    let args = Args::parse();
    let folder = args.data.unwrap_or_else(meters::usual_folder);
    if !folder.join("jobs.csv").is_file() {
        println!("protection: skipped, there is no {}/jobs.csv", folder.display());
        return Ok(());
    }
    let meters = meters::load(&folder)?;
    let modules = Modules::new(Execution::Automatic, None)?;
    println!(
        "{:<26}{:<13}{:>5}{:>8}{:>6}{:>10}{:>9}{:>9}{:>7}   settings",
        "meter", "guard", "jobs", "hours", "hit", "cut share", "median s", "p90 s", "limit"
    );
    let mut totals: [Score; 3] = Default::default();
    let mut figures = Vec::new();
    let mut late = Vec::new();
    for meter in &meters {
        let (scores, settings) = judge(&folder, meter, &modules, args.every_day, args.unmarked)?;
        let limit = meter.release_limit_secs(&scores[0].settings_level);
        for (place, (guard, score)) in GUARDS.iter().zip(&scores).enumerate() {
            let name = if place == 0 { meter.name.as_str() } else { "" };
            let note = if place == 0 { settings.as_str() } else { "" };
            println!("{name:<26}{guard:<13}{}{limit:>7.0}   {note}", score.row());
            totals[place].add(score);
        }
        if scores[0].median_secs().is_some_and(|median| median > limit) {
            late.push(meter.name.clone());
        }
        figures.push(json!({
            "meter": meter.name, "settings": settings, "release_limit_seconds": limit,
            "guards": GUARDS.iter().zip(&scores).map(|(guard, score)| score.as_json(guard)).collect::<Vec<_>>(),
        }));
    }
    for (guard, total) in GUARDS.iter().zip(&totals) {
        println!("{:<26}{guard:<13}{}", "all", total.row());
    }
    args.form.write(&json!({ "meters": figures }))?;
    conclude(&totals, &late)
}

/// The scores of the three guards, and what was proposed.
fn judge(
    folder: &Path,
    meter: &Meter,
    modules: &Modules,
    every_day: bool,
    unmarked: bool,
) -> Result<([Score; 3], String)> {
    let days = meter.days.iter().enumerate().filter(|(_, day)| !day.jobs.is_empty());
    let mut scores: [Score; 3] = Default::default();
    let mut settings = String::new();
    for (chosen, day) in days.take(if every_day { usize::MAX } else { 1 }) {
        let marks = if unmarked { Default::default() } else { day.marks() };
        let proposal = calibrate(std::slice::from_ref(&day.take), &marks)
            .with_context(|| format!("calibrating on {}", day.take.name))?;
        let level = proposal.settings.quiet_watts;
        settings = format!("{level} W, {}", proposal.settings.dwell_text());
        for other in meter.days.iter().enumerate().filter(|(index, _)| *index != chosen).map(|(_, day)| day) {
            scores[0].note(other, &score::calibrated(folder, other, &proposal.settings, modules)?);
            scores[1].note(other, &references::learnt_dwell(day, other).answers(other));
            scores[2].note(other, &references::bare_rule(day, other).answers(other));
        }
        scores[0].settings_level = level;
    }
    Ok((scores, settings))
}

fn conclude(totals: &[Score; 3], late: &[String]) -> Result<()> {
    let [calibrated, learnt, bare] = totals;
    println!(
        "\n{} jobs of {:.0} h: {} hit, where the learnt dwell hits {} and the bare rule {}; release median {:.0} s, the learnt dwell's {:.0} s",
        calibrated.jobs,
        calibrated.job_secs / 3_600.0,
        calibrated.hit,
        learnt.hit,
        bare.hit,
        calibrated.median_secs().unwrap_or(f64::NAN),
        learnt.median_secs().unwrap_or(f64::NAN),
    );
    if !late.is_empty() {
        println!("later than twice the longest pause or three minutes: {}", late.join(", "));
    }
    let ahead = calibrated.hit <= learnt.hit
        && calibrated.hit < bare.hit
        && calibrated.median_secs().unwrap_or(0.0) <= learnt.median_secs().unwrap_or(f64::INFINITY);
    if ahead {
        println!("protection: ahead of both references");
        return Ok(());
    }
    bail!("protection: not ahead of both references")
}
