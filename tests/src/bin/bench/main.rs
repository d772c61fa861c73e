//! How fast the guard is, beside references in the same run, on the same broker and the same computer. Pairs are
//! measured in turn, so that a noisy computer is noisy for both. Prints tables with ratios; no figure is a failure,
//! only a guard that does not answer.

mod calls;
mod decisions;
mod emergency;
mod hall;
#[path = "../../../../daemon/detectors/src/tests/handmade.rs"]
#[expect(dead_code, reason = "the library's tests use more of it")]
#[expect(clippy::unwrap_used, reason = "it is the library's tests' own")]
mod handmade;
mod page;
mod press;
mod process;
mod readings;
mod reload;
mod replay;
mod table;

use anyhow::Result;
use clap::Parser;
use idlegate_tests::form::Form;
use serde_json::{Map, Value as Json};

use self::table::Table;

const SECTIONS: [&str; 10] =
    ["press", "page", "emergency", "hall", "readings", "calls", "core", "replay", "reload", "process"];

/// How much is measured.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Size {
    pub(crate) presses: usize,
    pub(crate) readings: u32,
    pub(crate) calls: u32,
    pub(crate) replayed: u32,
    pub(crate) reloads: u32,
    /// Machines of the largest shop.
    pub(crate) machines: usize,
}

impl Size {
    const WHOLE: Size = Size {
        presses: 2_000,
        readings: 200_000,
        calls: 100_000,
        replayed: 2_000_000,
        reloads: 50,
        machines: 1_000,
    };
    const SHORT: Size =
        Size { presses: 200, readings: 20_000, calls: 10_000, replayed: 100_000, reloads: 5, machines: 100 };
}

/// How fast the guard is, beside references in the same run; no figure is a failure
#[derive(Parser)]
struct Args {
    /// Only this
    #[arg(long, value_name = "SECTION", value_parser = SECTIONS)]
    only: Option<String>,
    #[command(flatten)]
    form: Form,
}

fn main() -> Result<()> {
    let given: Vec<String> = std::env::args().skip(1).collect();
    if let Some((press::BOUNCE, rest)) = given.split_first().map(|(first, rest)| (first.as_str(), rest)) {
        return press::bounce(rest);
    }
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?
        .block_on(bench(Args::parse()))
}

async fn bench(Args { only, form }: Args) -> Result<()> {
    let size = form.either(Size::SHORT, Size::WHOLE);
    let wanted = |section: &str| only.as_deref().is_none_or(|only| only == section);
    let mut figures = Map::new();
    let mut show = |section: &str, table: Table| {
        println!("{table}");
        figures.insert(section.to_owned(), table.to_json());
    };
    if wanted("press") {
        show("press", press::measure(size, false).await?);
        show("press-under-load", press::measure(size, true).await?);
    }
    if wanted("page") {
        show("page", page::measure(size).await?);
    }
    if wanted("emergency") {
        show("emergency", emergency::measure(size).await?);
    }
    if wanted("hall") {
        show("hall", hall::measure(size).await?);
    }
    if wanted("readings") {
        show("readings", readings::measure(size).await?);
        show("readings-paced", readings::measure_paced(size).await?);
    }
    if wanted("calls") {
        show("calls", calls::measure(size)?);
        show("taking-over", calls::measure_taking_over()?);
    }
    if wanted("core") {
        show("core", decisions::measure(size)?);
    }
    if wanted("replay") {
        show("replay", replay::measure(size)?);
    }
    if wanted("reload") {
        show("reload", reload::measure(size).await?);
    }
    if wanted("process") {
        show("process", process::measure(size).await?);
    }
    form.write(&Json::Object(figures))?;
    println!("bench: ok");
    Ok(())
}
