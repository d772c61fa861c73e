//! Detectors that want to harm, and files that are none, against the real host: each is refused or stopped for a reason
//! in clear words, the host lives on, and the neighbours hardly notice.

mod corpus;
#[path = "../../../../daemon/src/detectors/tests/handmade.rs"]
#[expect(
    clippy::unwrap_used,
    reason = "written for tests, where a detector that cannot be made ends the test"
)]
#[allow(dead_code, reason = "the host's own tests use more of it")]
mod handmade;
mod neighbours;
mod random;

use std::process::ExitCode;

use anyhow::{Context, Result, bail};
use serde_json::json;

const USAGE: &str = "\
hostile [--short] [--files N] [--seed N] [--json FILE]
  --short      what the test command runs
  --files N    so many random files of each kind (20000)
  --seed N     of the random files (1)
  --json FILE  the figures, for a machine to read";

struct Args {
    files: usize,
    seed: u64,
    asks: usize,
    json: Option<String>,
}

fn args() -> Result<Args> {
    let mut args = Args { files: 20_000, seed: 1, asks: 20_000, json: None };
    let mut given = std::env::args().skip(1);
    while let Some(arg) = given.next() {
        let mut value = || given.next().with_context(|| format!("{arg} wants a value\n{USAGE}"));
        match arg.as_str() {
            "--short" => (args.files, args.asks) = (1_000, 3_000),
            "--files" => args.files = value()?.parse().context("--files")?,
            "--seed" => args.seed = value()?.parse().context("--seed")?,
            "--json" => args.json = Some(value()?),
            _ => bail!("{arg} is not known\n{USAGE}"),
        }
    }
    Ok(args)
}

fn main() -> Result<ExitCode> {
    let args = args()?;
    // What panics is counted; what it says would only hide the sums.
    std::panic::set_hook(Box::new(|_| ()));
    let corpus = corpus::run()?;
    println!();
    let random = random::run(args.seed, args.files)?;
    println!();
    let neighbours = neighbours::run(args.asks)?;
    let holds = corpus.surprises == 0 && random.panics == 0 && neighbours.unanswered == 0;
    println!(
        "hostile: {}: {} hostile detectors, {} not refused or stopped as they should be; {} random files, {} panics; \
         beside a hostile neighbour an assessment takes {:.2} × as long at p50 and {:.2} × at p99",
        if holds { "ok" } else { "BROKEN" },
        corpus.tried,
        corpus.surprises,
        random.tried,
        random.panics,
        neighbours.ratio_p50,
        neighbours.ratio_p99,
    );
    if let Some(file) = args.json {
        let figures = json!({
            "hostile_detectors": corpus.tried, "surprises": corpus.surprises,
            "random_files": random.tried, "random_loaded": random.loaded, "random_ran": random.ran,
            "panics": random.panics, "neighbour_ratio_p50": neighbours.ratio_p50,
            "neighbour_ratio_p99": neighbours.ratio_p99, "unanswered": neighbours.unanswered,
        });
        std::fs::write(&file, format!("{figures:#}\n")).with_context(|| format!("cannot write {file}"))?;
    }
    Ok(if holds { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
