//! Detectors that want to harm, and files that are none, against the real host: each is refused or stopped for a reason
//! in clear words, the host lives on, and the neighbours hardly notice.

mod bombs;
mod corpus;
#[path = "../../../../daemon/detectors/src/tests/handmade.rs"]
#[expect(
    clippy::unwrap_used,
    reason = "written for tests, where a detector that cannot be made ends the test"
)]
#[allow(dead_code, reason = "the host's own tests use more of it")]
mod handmade;
mod neighbours;
mod random;
mod warners;

use std::process::ExitCode;

use anyhow::Result;
use clap::Parser;
use idlegate_tests::form::Form;
use serde_json::json;

/// Detectors that want to harm, and files that are none, against the real host
#[derive(Parser)]
struct Args {
    /// So many random files of each kind [default: 20000, in short form 1000]
    #[arg(long, value_name = "N")]
    files: Option<usize>,
    /// Only those that warn
    #[arg(long)]
    warners: bool,
    /// Only the files that cost the compiler dearly, and of these only those with these words in their names
    #[arg(long, value_name = "WORDS")]
    bombs: Option<String>,
    /// Of the random files
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    #[command(flatten)]
    form: Form,
}

fn main() -> Result<ExitCode> {
    // This program is started again for each file that is to be compiled.
    if let Some(compiled) = idlegate_detectors::asked() {
        return Ok(compiled);
    }
    let Args { files, warners, bombs, seed, form } = Args::parse();
    // What panics is counted; what it says would only hide the sums.
    std::panic::set_hook(Box::new(|_| ()));
    if warners {
        let sum = warners::run()?;
        let holds = sum.surprises == 0 && sum.found == sum.planted;
        return Ok(if holds { ExitCode::SUCCESS } else { ExitCode::FAILURE });
    }
    if let Some(only) = bombs {
        let bombs = bombs::run(&only, form.short)?;
        return Ok(if bombs.surprises == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE });
    }
    let bombs = bombs::run("", form.short)?;
    println!();
    let corpus = corpus::run()?;
    println!();
    let random = random::run(seed, files.unwrap_or(form.either(1_000, 20_000)))?;
    println!();
    let neighbours = neighbours::run(form.either(3_000, 20_000))?;
    println!();
    let warners = warners::run()?;
    let holds = bombs.surprises
        + corpus.surprises
        + random.panics
        + neighbours.unanswered
        + neighbours.hostile_stopped
        + warners.surprises
        + (warners.planted - warners.found)
        == 0;
    println!(
        "hostile: {}: {} files that are costly to compile, the host has grown by {} MiB; {} hostile detectors, {} not refused \
         or stopped as they should be; {} random files, {} panics; beside hostile neighbours an assessment takes {:.2} × as \
         long at p50 and {:.2} × at p99; {} detectors that only warn, {} warnings in an hour each, {} that ordered, disturbed or told \
         too much; planted {}, found {}",
        if holds { "ok" } else { "BROKEN" },
        bombs.tried,
        bombs.growth_kib >> 10,
        corpus.tried,
        bombs.surprises + corpus.surprises,
        random.tried,
        random.panics,
        neighbours.ratio_p50,
        neighbours.ratio_p99,
        warners.tried,
        warners.warnings,
        warners.surprises,
        warners.planted,
        warners.found,
    );
    form.write(&json!({
        "costly_files": bombs.tried, "host_growth_kib": bombs.growth_kib,
        "hostile_detectors": corpus.tried, "surprises": bombs.surprises + corpus.surprises,
        "random_files": random.tried, "random_loaded": random.loaded, "random_ran": random.ran,
        "panics": random.panics, "neighbour_ratio_p50": neighbours.ratio_p50,
        "neighbour_ratio_p99": neighbours.ratio_p99, "unanswered": neighbours.unanswered,
        "hostile_answers": neighbours.hostile_answers, "hostile_stopped": neighbours.hostile_stopped,
        "warners": warners.tried, "warnings": warners.warnings, "warner_surprises": warners.surprises,
        "planted": warners.planted, "found": warners.found,
    }))?;
    Ok(if holds { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
