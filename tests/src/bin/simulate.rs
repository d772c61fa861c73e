//! Days of workshop life from seeds, with faults: nothing that must not happen happens, and afterwards everything that
//! must happen does.

use std::time::Instant;

use anyhow::{Result, ensure};
use clap::Parser;
use idlegate_guard::time::{Moment, Span};
use idlegate_tests::form::Form;
use idlegate_tests::judge::Tally;
use idlegate_tests::simulation::figures::{Figures, WRONGLY};
use idlegate_tests::simulation::judged::LIMITS;
use idlegate_tests::simulation::rules::Parts;
use idlegate_tests::simulation::world::BEGIN;
use idlegate_tests::simulation::{Carelessness, Life, Outcome, Plant, live};
use serde_json::json;

/// Half days of life in which a mistake must be found.
const PLANT_SEEDS_MAX: u64 = 12;

/// Days of workshop life from seeds, with faults
#[derive(Parser)]
struct Args {
    /// So many lives [default: 40, in short form 12]
    #[arg(long, value_name = "N")]
    seeds: Option<u64>,
    /// Of so many days each [default: 3, in short form 0.5]
    #[arg(long, value_name = "D", value_parser = days)]
    days: Option<f64>,
    /// The first of the seeds
    #[arg(long, value_name = "S", default_value_t = 1)]
    first_seed: u64,
    /// This one life only
    #[arg(long, value_name = "S", conflicts_with_all = ["seeds", "first_seed"])]
    seed: Option<u64>,
    /// The built-in detector as ordinary Rust, not in its sandbox
    #[arg(long)]
    native: bool,
    /// Everything notable told as it happens
    #[arg(long, requires = "seed")]
    trace: bool,
    #[command(flatten)]
    form: Form,
}

fn days(text: &str) -> Result<f64> {
    let days: f64 = text.parse()?;
    ensure!(days > 0.0 && days <= 3_650.0, "more than 0 and at most 3650");
    Ok(days)
}

fn main() -> Result<()> {
    let args = Args::parse();
    let days = args.days.unwrap_or(args.form.either(0.5, 3.0));
    let (first, count) = match args.seed {
        Some(seed) => (seed, 1),
        None => (args.first_seed, args.seeds.unwrap_or(args.form.either(12, 40))),
    };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked when it was read")]
    let lasts = Span((days * 86_400_000.0) as u64);
    let parts = Parts::new()?;
    let life = |seed: u64| Life {
        seed,
        lasts,
        faults: true,
        native: args.native,
        careless: None,
        plant: None,
        favours: favourite(seed),
        print: args.trace,
    };

    let begun = Instant::now();
    let mut total = Figures::default();
    let mut judged = Tally::default();
    let mut failed = Vec::new();
    for seed in first..first.saturating_add(count) {
        let outcome = live(&parts, life(seed))?;
        total.add(&outcome.figures);
        judged.add(&outcome.judged);
        println!(
            "seed {seed}: {} h, {} events, {} decisions, trace {:016x}, {}",
            outcome.figures.simulated_hours(),
            outcome.figures.events,
            outcome.figures.decisions.values().sum::<u64>(),
            outcome.hash,
            if outcome.violations.is_empty() { "ok" } else { "VIOLATED" }
        );
        if !outcome.violations.is_empty() {
            tell(&outcome, days, args.native);
            failed.push(outcome);
        }
    }
    let took = begun.elapsed().as_secs_f64();

    let (same, caught) =
        if args.seed.is_some() { (true, Vec::new()) } else { self_checks(&parts, life(first))? };
    let plants = if args.seed.is_some() { Vec::new() } else { plant(&parts, life(first))? };
    println!();
    for line in total.lines().into_iter().chain(judged.lines()) {
        println!("{line}");
    }
    let excessive = if args.seed.is_some() { Vec::new() } else { judged.excessive(&LIMITS) };
    excessive.iter().for_each(|excess| println!("  ! excused too often: {excess}"));
    let found = plants.iter().filter(|(_, what)| what.is_some()).count();
    println!("judge: planted {}, found {found}", plants.len());
    let missed: Vec<_> =
        caught.iter().filter(|(_, what)| what.is_none()).map(|(careless, _)| *careless).collect();
    let violations: usize = failed.iter().map(|outcome| outcome.violations.len()).sum();
    #[expect(clippy::cast_precision_loss, reason = "hours and seconds of ordinary size")]
    let pace = total.simulated_hours() as f64 / took.max(0.001);
    let mut figures = total.json();
    figures["seeds"] = json!(count);
    figures["first_seed"] = json!(first);
    figures["violations"] = json!(violations);
    figures["failed_seeds"] = json!(failed.iter().map(|outcome| outcome.seed).collect::<Vec<_>>());
    figures["hours_per_second"] = json!(pace.round());
    figures["same_seed_same_trace"] = json!(same);
    figures["careless_programs"] = json!(caught.len());
    figures["judged"] = judged.json();
    figures["planted"] = json!(plants.len());
    figures["found"] = json!(found);
    figures["careless_programs_caught"] = json!(caught.len() - missed.len());
    args.form.write(&figures)?;
    println!(
        "simulate: {} seeds, {} h simulated at {pace:.0} h/s, {} decisions, {} jobs protected, {} wrongly cut, \
         {} emergencies refused, {violations} violations; same seed same trace: {}; careless programs caught: {} of {}",
        count,
        total.simulated_hours(),
        total.decisions.values().sum::<u64>(),
        total.jobs_protected,
        total.cut(WRONGLY),
        total.emergencies_refused,
        if same { "yes" } else { "NO" },
        caught.len() - missed.len(),
        caught.len(),
    );
    if violations > 0
        || !same
        || !missed.is_empty()
        || found < plants.len()
        || !excessive.is_empty()
        || total.emergencies_refused > 0
        || total.cut(WRONGLY) > 0
    {
        std::process::exit(1);
    }
    Ok(())
}

/// In every other life one kind of trouble is more frequent.
fn favourite(seed: u64) -> Option<Plant> {
    let nth = usize::try_from(seed / 2).unwrap_or_default() % Plant::ALL.len();
    seed.is_multiple_of(2).then_some(Plant::ALL[nth])
}

fn tell(outcome: &Outcome, days: f64, native: bool) {
    for line in &outcome.before {
        println!("    {line}");
    }
    for violation in &outcome.violations {
        println!("  ! {violation}");
    }
    let native = if native { " --native" } else { "" };
    println!("  replay: simulate --seed {} --days {days}{native} --trace", outcome.seed);
}

/// A careless program, and what the oracle had to say of it.
type Noticed = (Carelessness, Option<String>);

/// The same seed twice; and programs that do it wrong, each of which the oracle has to notice.
fn self_checks(parts: &Parts, life: Life) -> Result<(bool, Vec<Noticed>)> {
    let short = Life { lasts: Span::secs(4 * 3_600), ..life };
    let same = live(parts, short)?.hash == live(parts, short)?.hash;
    let mut caught = Vec::new();
    for careless in Carelessness::ALL {
        let mut what = None;
        for seed in 0..8 {
            let life = Life {
                seed: life.seed + seed,
                lasts: Span::secs(24 * 3_600),
                native: true,
                careless: Some(careless),
                ..life
            };
            what = live(parts, life)?.violations.into_iter().next();
            if what.is_some() {
                break;
            }
        }
        match &what {
            Some(what) => println!("careless: {careless:?} is caught: {what}"),
            None => println!("careless: {careless:?} is NOT caught"),
        }
        caught.push((careless, what));
    }
    Ok((same, caught))
}

/// A mistake that was put in, and what the judge had to say of it.
type Found = (Plant, Option<String>);

/// Mistakes between wire and engine, each of which the judge has to find.
fn plant(parts: &Parts, life: Life) -> Result<Vec<Found>> {
    let mut found = Vec::new();
    for plant in Plant::ALL {
        let mut what = None;
        for seed in 0..PLANT_SEEDS_MAX {
            let lasts = Span::secs(12 * 3_600);
            let life = Life { seed: life.seed + seed, lasts, native: true, favours: Some(plant), ..life };
            let outcome = live(parts, Life { plant: Some(plant), ..life })?;
            let Some(finding) = outcome.judged.findings.first() else { continue };
            // What is found must be for the mistake.
            let until = Moment(u64::try_from(finding.at.as_millis())?).since(BEGIN);
            let without = live(parts, Life { lasts: until, ..life })?;
            ensure!(
                without.violations.is_empty(),
                "without a mistake, in life {} of {}: {:?}\n{}",
                life.seed,
                plant.words(),
                without.violations,
                without.before.join("\n")
            );
            let oracle = if outcome.violations.is_empty() { "not " } else { "" };
            what = Some(format!("in life {}: {finding} ({oracle}noticed by the oracle)", seed + 1));
            break;
        }
        match &what {
            Some(what) => println!("planted: {}: found {what}", plant.words()),
            None => println!("planted: {}: NOT found", plant.words()),
        }
        found.push((plant, what));
    }
    Ok(found)
}
