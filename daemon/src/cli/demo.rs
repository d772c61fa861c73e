//! `idlegate demo`: a broker, a workshop and the guard in one process, and a story that checks itself.

use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use tokio::sync::oneshot;

use super::exit_code::Exit;
use super::output::{self, print_line};
use super::{logging, runtime};
use idlegate_demo::broker::EmbeddedBroker;
use idlegate_demo::story::{self, Outcome, Page};
use idlegate_demo::workshop::WorkshopFace;
use idlegate_demo::workshop::birch_lane::{DIALECTS, PACE, workshop};
use idlegate_detectors::{Execution, Modules};
use idlegate_plan::{Monitoring, Plan};
use idlegate_rules::{Folder, Surroundings, SystemSecrets, compile};
use idlegate_service::{self as service, Options};

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
/// That of the page.
const PAGE_PORT: u16 = 9_464;
/// The same workshop every time.
const SEED: u64 = 7;

/// Play a story in a simulated workshop, with a broker of its own and the real guard.
#[derive(Debug, clap::Args)]
pub(super) struct DemoArgs {
    /// Leave the workshop running afterwards, so that you can try it with any MQTT client.
    #[arg(long)]
    keep: bool,
    /// The port of the demo's broker on 127.0.0.1. 0 means any free port.
    #[arg(long, default_value_t = 0)]
    port: u16,
    /// Print the outcome as JSON instead of the story.
    #[arg(long)]
    json: bool,
}

impl DemoArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let _log = logging::start("error", false);
        runtime()?.block_on(play(self.keep, self.port, self.json))
    }
}

async fn play(keep: bool, port: u16, json: bool) -> anyhow::Result<Exit> {
    let broker = EmbeddedBroker::start_with(port, None).await?;
    let modules = Arc::new(Modules::new(Execution::Automatic, None)?);
    let mut plan = plan(&modules)?;
    plan.shop.broker.port = broker.port();
    let address = page_address()?;
    let (page, hosts, names) = (true, Vec::new(), Vec::new());
    plan.shop.monitoring = Some(Monitoring { listen: address, page, hosts, names });
    let face = WorkshopFace::spawn(broker.port(), workshop(SEED), &DIALECTS, PACE);
    let (stop, stopped) = oneshot::channel::<()>();
    let options = Options::new(Arc::new(plan), modules);
    let guard = tokio::spawn(service::run(options, Box::pin(async move { drop(stopped.await) })));

    let print = |line: &str| {
        if !json {
            output::coloured(line);
        }
    };
    print(&format!("To watch it in a browser: http://{address}/\n"));
    let outcome =
        story::play(story::birch_lane::story(), Page::for_stdout(), broker.port(), &face, print).await;
    if json {
        output::json(&report(&outcome));
    }
    if keep {
        stay(broker.port(), address).await?;
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
        let told: Vec<_> = problems.iter().map(idlegate_rules::Problem::render).collect();
        anyhow::anyhow!("the demo's own rules are broken:\n{}", told.join("\n"))
    })
}

fn report(outcome: &Outcome) -> serde_json::Value {
    json!({ "scenes_right": outcome.right, "scenes_wrong": outcome.wrong })
}

/// The usual port, so that a page that is open in a browser comes back with the next demo; else any.
fn page_address() -> std::io::Result<SocketAddr> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, PAGE_PORT))
        .or_else(|_| TcpListener::bind((Ipv4Addr::LOCALHOST, 0)))?;
    listener.local_addr()
}

async fn stay(port: u16, page: SocketAddr) -> anyhow::Result<()> {
    print_line!(
        "\nThe workshop stays open, with its broker on 127.0.0.1:{port}, and its page at http://{page}/. In another terminal, \
         try for example:"
    );
    print_line!("  idlegate status --rules examples/workshop --port {port}");
    print_line!("  idlegate request --rules examples/workshop --port {port} kiln off");
    print_line!("Press Ctrl-C to close it.");
    tokio::signal::ctrl_c().await?;
    // Whatever was printed after the ^C begins on a line of its own.
    print_line!("");
    tokio::time::sleep(Duration::from_millis(10)).await;
    Ok(())
}
