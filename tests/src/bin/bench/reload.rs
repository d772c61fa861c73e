//! From the last write to new rules, or a new detector, in force: beside a bare watcher of the same folder, who only
//! hears that something was written. The guard waits until nothing more is written, reads all of it and looks it over.

use std::path::Path;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result};
use idlegate_detectors::built_in;
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use notify::{RecursiveMode, Watcher as _};
use serde_json::Value as Json;
use tokio::time::timeout;

use super::Size;
use super::process::{DETECTORS, shop};
use super::table::{Table, quantiles};

const MACHINES: usize = 10;
const OWN_DETECTOR: &str = "detectors/own.wasm";

pub(crate) async fn measure(size: Size) -> Result<Table> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let rules = dir.path().join("rules");
    shop(&rules, broker.port(), MACHINES, DETECTORS)?;
    std::fs::create_dir_all(rules.join("detectors"))?;
    std::fs::write(rules.join(OWN_DETECTOR), variant(0)?)?;
    let machine = rules.join("machines/machine-0.toml");
    let text = std::fs::read_to_string(&machine)?.replacen(
        "use = \"power-threshold\"",
        &format!("file = {OWN_DETECTOR:?}"),
        1,
    );
    std::fs::write(&machine, &text)?;

    let guard = Process::start(&rules, &dir.path().join("state"))?;
    let mut client = Client::connect(broker.port()).await?;
    client.subscribe("idlegate/health").await?;
    let mut in_force =
        rules_in_force(&mut client, "").await.with_context(|| guard.log_end().unwrap_or_default())?;
    let (mut bare, mut limits, mut detectors) = (Vec::new(), Vec::new(), Vec::new());
    for nth in 1..=size.reloads {
        let new_limit = text.replacen("busy_watts = 40", &format!("busy_watts = {}", 50 + nth), 1);
        bare.push(heard_by_a_bare_watcher(&machine, new_limit.as_bytes())?);
        // That was a change, too.
        in_force = rules_in_force(&mut client, &in_force).await?;
        let newer = new_limit.replacen("title = \"Machine 0\"", "title = \"Machine nought\"", 1);
        let begin = replace(&machine, newer.as_bytes())?;
        in_force = rules_in_force(&mut client, &in_force).await?;
        limits.push(begin.elapsed());
        let begin = replace(&rules.join(OWN_DETECTOR), &variant(nth)?)?;
        in_force = rules_in_force(&mut client, &in_force).await?;
        detectors.push(begin.elapsed());
    }
    let mut table = Table::new("from the last write, µs", &["p50", "p99", "p99.9"]);
    table.row("a bare watcher hears of it", &quantiles(&mut bare));
    table.row(format!("new rules of {MACHINES} machines are in force"), &quantiles(&mut limits));
    table.ratio("new rules by bare watcher", 1, 0);
    table.row("a new detector is compiled and in force", &quantiles(&mut detectors));
    table.ratio("new detector by bare watcher", 3, 0);
    Ok(table)
}

/// The same detector, in a file that was never seen before: with a section that means nothing.
fn variant(number: u32) -> Result<Vec<u8>> {
    let mut bytes = built_in("power-threshold").context("no such detector")?.to_vec();
    let note = format!("{number:08}");
    bytes.extend([0, 13, 4]);
    bytes.extend(b"note");
    bytes.extend(note.as_bytes());
    Ok(bytes)
}

/// All at once, as a careful editor does it.
fn replace(file: &Path, content: &[u8]) -> Result<Instant> {
    let beside = file.with_extension("new~");
    std::fs::write(&beside, content)?;
    let begin = Instant::now();
    std::fs::rename(&beside, file)?;
    Ok(begin)
}

fn heard_by_a_bare_watcher(file: &Path, content: &[u8]) -> Result<Duration> {
    let (told, heard) = mpsc::channel();
    let name = file.to_owned();
    let mut watcher = notify::recommended_watcher(move |event: notify::Result<notify::Event>| {
        if event.is_ok_and(|event| event.paths.contains(&name)) {
            // Nobody listens any more after the first.
            let _ = told.send(());
        }
    })?;
    watcher.watch(file.parent().context("no folder")?, RecursiveMode::NonRecursive)?;
    let begin = replace(file, content)?;
    heard.recv_timeout(DEADLINE).context("nothing was heard of it")?;
    Ok(begin.elapsed())
}

/// Waits until other rules than these are in force, and says which.
async fn rules_in_force(client: &mut Client, others: &str) -> Result<String> {
    let heard = async {
        loop {
            let health: Json = serde_json::from_slice(&client.message().await?.payload)?;
            match health["rules"].as_str() {
                Some(rules) if rules != others => return anyhow::Ok(rules.to_owned()),
                _ => {}
            }
        }
    };
    timeout(DEADLINE, heard).await.context("the change did not come into force")?
}
