//! Days of workshop life from seeds, with faults: nothing that must not happen happens, and afterwards everything that
//! must happen does.

use std::time::Instant;

use anyhow::{Context, Result, bail};
use idlegate::time::Span;
use idlegate_tests::simulation::figures::{Figures, WRONGLY};
use idlegate_tests::simulation::rules::Parts;
use idlegate_tests::simulation::{Carelessness, Life, Outcome, live};
use serde_json::json;

const USAGE: &str = "\
simulate [--short] [--seeds N] [--days D] [--first-seed S] [--native] [--json FILE]
simulate --seed S [--days D] [--native] [--trace]
  --short        what the test command runs
  --seeds N      so many lives (40)
  --days D       of so many days each, a fraction if need be (3)
  --first-seed S the first of the seeds (1)
  --native       the built-in detector as ordinary Rust, not in its sandbox
  --seed S       this one life only
  --trace        with everything notable told as it happens
  --json FILE    the figures, for a machine to read";

struct Args {
    seeds: u64,
    days: f64,
    first: u64,
    native: bool,
    trace: bool,
    one: bool,
    json: Option<String>,
}

fn args() -> Result<Args> {
    let mut args =
        Args { seeds: 40, days: 3.0, first: 1, native: false, trace: false, one: false, json: None };
    let mut given = std::env::args().skip(1);
    while let Some(arg) = given.next() {
        let mut value = || given.next().with_context(|| format!("{arg} wants a value\n{USAGE}"));
        match arg.as_str() {
            "--short" => (args.seeds, args.days) = (12, 0.5),
            "--seeds" => args.seeds = value()?.parse().context("--seeds")?,
            "--days" => args.days = value()?.parse().context("--days")?,
            "--first-seed" => args.first = value()?.parse().context("--first-seed")?,
            "--seed" => {
                args.first = value()?.parse().context("--seed")?;
                (args.seeds, args.one) = (1, true);
            }
            "--native" => args.native = true,
            "--trace" => args.trace = true,
            "--json" => args.json = Some(value()?),
            _ => bail!("{arg} is not known\n{USAGE}"),
        }
    }
    if !(args.days > 0.0 && args.days <= 3_650.0) {
        bail!("--days must be more than 0 and at most 3650");
    }
    Ok(args)
}

fn main() -> Result<()> {
    let args = args()?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked above")]
    let lasts = Span((args.days * 86_400_000.0) as u64);
    let parts = Parts::new()?;
    let life = |seed| Life {
        seed,
        lasts,
        faults: true,
        native: args.native,
        careless: None,
        print: args.trace && args.one,
    };

    let begun = Instant::now();
    let mut total = Figures::default();
    let mut failed = Vec::new();
    for seed in args.first..args.first.saturating_add(args.seeds) {
        let outcome = live(&parts, life(seed))?;
        total.add(&outcome.figures);
        println!(
            "seed {seed}: {} h, {} events, {} decisions, trace {:016x}, {}",
            outcome.figures.simulated_hours(),
            outcome.figures.events,
            outcome.figures.decisions.values().sum::<u64>(),
            outcome.hash,
            if outcome.violations.is_empty() { "ok" } else { "VIOLATED" }
        );
        if !outcome.violations.is_empty() {
            tell(&outcome, args.days, args.native);
            failed.push(outcome);
        }
    }
    let took = begun.elapsed().as_secs_f64();

    let (same, caught) = if args.one { (true, Vec::new()) } else { self_checks(&parts, life(args.first))? };
    println!();
    for line in total.lines() {
        println!("{line}");
    }
    let missed: Vec<_> =
        caught.iter().filter(|(_, what)| what.is_none()).map(|(careless, _)| *careless).collect();
    let violations: usize = failed.iter().map(|outcome| outcome.violations.len()).sum();
    #[expect(clippy::cast_precision_loss, reason = "hours and seconds of ordinary size")]
    let pace = total.simulated_hours() as f64 / took.max(0.001);
    if let Some(file) = &args.json {
        let mut figures = total.json();
        figures["seeds"] = json!(args.seeds);
        figures["first_seed"] = json!(args.first);
        figures["violations"] = json!(violations);
        figures["failed_seeds"] = json!(failed.iter().map(|outcome| outcome.seed).collect::<Vec<_>>());
        figures["hours_per_second"] = json!(pace.round());
        figures["same_seed_same_trace"] = json!(same);
        figures["careless_programs"] = json!(caught.len());
        figures["careless_programs_caught"] = json!(caught.len() - missed.len());
        std::fs::write(file, format!("{figures:#}\n")).with_context(|| file.clone())?;
    }
    println!(
        "simulate: {} seeds, {} h simulated at {pace:.0} h/s, {} decisions, {} jobs protected, {} wrongly cut, \
         {} emergencies refused, {violations} violations; same seed same trace: {}; careless programs caught: {} of {}",
        args.seeds,
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
        || total.emergencies_refused > 0
        || total.cut(WRONGLY) > 0
    {
        std::process::exit(1);
    }
    Ok(())
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
