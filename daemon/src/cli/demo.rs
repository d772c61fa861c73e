//! `idlegate demo`: a broker, a workshop and the guard in one process, and a story that checks itself.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use tokio::sync::oneshot;

use super::exit_code::Exit;
use super::{logging, runtime};
use crate::demo::broker::EmbeddedBroker;
use crate::demo::story::{self, Outcome, Page};
use crate::demo::workshop::WorkshopFace;
use crate::demo::workshop::birch_lane::{DIALECTS, PACE, workshop};
use crate::detectors::Execution;
use crate::plan::Plan;
use crate::rules::{Folder, Surroundings, SystemSecrets, compile};
use crate::service::{self, Modules, Options};

/// The rules of the demo are an example for people, and part of the program.
const RULES: [(&str, &str); 7] = [
    ("shop.toml", include_str!("../../../examples/workshop/shop.toml")),
    ("inputs.toml", include_str!("../../../examples/workshop/inputs.toml")),
    ("machines/dust-extractor.toml", include_str!("../../../examples/workshop/machines/dust-extractor.toml")),
    (
        "machines/filament-printer.toml",
        include_str!("../../../examples/workshop/machines/filament-printer.toml"),
    ),
    ("machines/kiln.toml", include_str!("../../../examples/workshop/machines/kiln.toml")),
    ("machines/laser-cutter.toml", include_str!("../../../examples/workshop/machines/laser-cutter.toml")),
    ("machines/mill.toml", include_str!("../../../examples/workshop/machines/mill.toml")),
];
/// The same workshop every time.
const SEED: u64 = 7;

pub(super) fn demo(keep: bool, port: u16, json: bool) -> anyhow::Result<Exit> {
    let _log = logging::start("error", false);
    runtime()?.block_on(play(keep, port, json))
}

async fn play(keep: bool, port: u16, json: bool) -> anyhow::Result<Exit> {
    let broker = EmbeddedBroker::start_with(port, None).await?;
    let modules = Arc::new(Modules::new(Execution::Automatic, None)?);
    let mut plan = plan(&modules)?;
    plan.shop.broker.port = broker.port();
    let face = WorkshopFace::spawn(broker.port(), workshop(SEED), &DIALECTS, PACE);
    let (stop, stopped) = oneshot::channel::<()>();
    let options = Options::new(Arc::new(plan), modules);
    let guard = tokio::spawn(service::run(options, async move { drop(stopped.await) }));

    let print = |line: &str| {
        if !json {
            println!("{line}");
        }
    };
    let outcome =
        story::play(story::birch_lane::story(), Page::for_stdout(), broker.port(), &face, print).await;
    if json {
        println!("{}", report(&outcome));
    }
    if keep {
        stay(broker.port()).await?;
    }
    drop(stop);
    guard.await??;
    drop(face);
    broker.shutdown().await;
    Ok(if outcome.wrong == 0 && outcome.right > 0 { Exit::Good } else { Exit::No })
}

fn plan(modules: &Modules) -> anyhow::Result<Plan> {
    let folder = Folder::from_texts(Path::new("examples/workshop"), RULES);
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::SERVICE };
    compile(&folder, &around).map(|compiled| compiled.plan).map_err(|problems| {
        let told: Vec<_> = problems.iter().map(crate::rules::Problem::render).collect();
        anyhow::anyhow!("the demo's own rules are broken:\n{}", told.join("\n"))
    })
}

fn report(outcome: &Outcome) -> serde_json::Value {
    json!({ "scenes_right": outcome.right, "scenes_wrong": outcome.wrong })
}

async fn stay(port: u16) -> anyhow::Result<()> {
    println!(
        "\nThe workshop stays open, with its broker on 127.0.0.1:{port}. In another terminal, try for example:"
    );
    println!("  idlegate status --rules examples/workshop --port {port}");
    println!("  idlegate request --rules examples/workshop --port {port} kiln off");
    println!("Press Ctrl-C to close it.");
    tokio::signal::ctrl_c().await?;
    // Whatever was printed after the ^C begins on a line of its own.
    println!();
    tokio::time::sleep(Duration::from_millis(10)).await;
    Ok(())
}
