//! Whether a guard knows when it is blind. Months of a workshop in virtual time: each blindness that is put in on
//! purpose and lasts longer than its limit is told exactly once within five seconds, with its end; none else is, and
//! none at all in clean months or on recordings of real machines. A guard that is started anew tells nothing twice.

mod floor;
mod judge;
mod plants;
mod recordings;
mod shop;

use anyhow::{Result, ensure};
use clap::Parser;
use floor::Floor;
use idlegate_detectors::{Execution, Modules};
use idlegate_tests::form::Form;
use serde_json::json;

/// Months of a workshop: each blindness is told exactly once, and in clean months none is
///
/// With IDLEGATE_OPEN_DATA also the recordings of real machines, on which none may be told either.
#[derive(Parser)]
struct Args {
    /// So many months of either kind [default: 6, in short form 1]
    #[arg(long, value_name = "N")]
    months: Option<u64>,
    /// Of so many days each [default: 30, in short form 12]
    #[arg(long, value_name = "N")]
    days: Option<u64>,
    /// The first of the seeds
    #[arg(long, value_name = "S", default_value_t = 1)]
    first_seed: u64,
    /// Everything that is told, as it is told
    #[arg(long)]
    trace: bool,
    #[command(flatten)]
    form: Form,
}

fn main() -> Result<()> {
    let args = Args::parse();
    let months = args.months.unwrap_or(args.form.either(1, 6));
    let days = args.days.unwrap_or(args.form.either(12, 30));
    let modules = Modules::new(Execution::Automatic, None)?;
    let plan = shop::plan(&modules)?;
    let (mut planted, mut told, mut restarts, mut urgent) = (0, 0, 0, 0);
    let mut faults = Vec::new();
    for seed in args.first_seed..args.first_seed + months {
        for with_plants in [false, true] {
            let mut floor = Floor::new(&plan, &modules, seed, days, with_plants, args.trace);
            floor.live();
            let judged = floor.judge.close();
            let kind = if with_plants { "with blindness put in" } else { "clean" };
            println!(
                "seed {seed}, {days} days {kind}: {} messages, {} starts and connections, {} put in, {} above their limit, {} told, {}",
                floor.messages,
                floor.sessions,
                judged.planted,
                judged.above,
                judged.told,
                if judged.faults.is_empty() { "ok" } else { "WRONG" }
            );
            planted += judged.above;
            told += judged.told;
            restarts += floor.sessions;
            urgent += judged.urgent;
            faults.extend(judged.faults.iter().map(|fault| format!("seed {seed}: {fault}")));
        }
    }
    let recorded = recordings::listen(&plan, &modules, args.form.either(1, usize::MAX), &mut faults)?;
    for fault in &faults {
        println!("  ! {fault}");
    }
    args.form.write(&json!({
        "months": months, "days_each": days, "planted_above_limit": planted, "told": told, "urgent": urgent, "sessions": restarts,
        "recorded_days": recorded.days, "recorded_readings": recorded.readings, "recorded_gaps_told": recorded.gaps,
        "faults": faults.len(),
    }))?;
    println!(
        "blind: {planted} above their limit in {months} times {days} days, {told} told, {urgent} of them urgently; as many clean \
         days; {} recorded days, {} true gaps told, {} wrong",
        recorded.days,
        recorded.gaps,
        faults.len()
    );
    ensure!(faults.is_empty(), "{} things were told wrongly or not at all", faults.len());
    Ok(())
}
