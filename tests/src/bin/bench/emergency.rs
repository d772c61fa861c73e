//! From the red button to the off, beside a detector that does nothing but compute as long as it is allowed to, and
//! without it.

use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use tokio::task::JoinHandle;
use tokio::time::{interval, sleep, timeout};

use super::Size;
use super::handmade::Handmade;
use super::process::guarding;
use super::table::{Table, quantiles};

/// Milliseconds of computing for each burst of readings, on a fast computer, too: not long enough to be stopped.
pub(crate) const BUSY_LOOP: &str = "(local $left i32) (local.set $left (i32.const 18000000))
    (loop $on (local.set $left (i32.sub (local.get $left) (i32.const 1))) (br_if $on (local.get $left)))
    (global.set $seen (i32.add (global.get $seen) (i32.const 1)))";
pub(crate) const READINGS_PER_SEC: u64 = 400;
/// Between the two shops: a press within 200 ms of the one before it in the same shop is part of it.
const PAUSE: Duration = Duration::from_millis(110);

struct Shop {
    name: &'static str,
    _broker: Mosquitto,
    _dir: tempfile::TempDir,
    guard: Process,
    client: Client,
    load: JoinHandle<Result<()>>,
    samples: Vec<Duration>,
}

pub(crate) async fn measure(size: Size) -> Result<Table> {
    let mut shops = [shop("undisturbed", false).await?, shop("beside a computing detector", true).await?];
    sleep(Duration::from_secs(2)).await;
    let before = shops[1].guard.cpu_seconds()?;
    let begin = Instant::now();
    for _ in 0..size.presses / 4 {
        for shop in &mut shops {
            sleep(PAUSE).await;
            let begin = Instant::now();
            shop.client.publish_at_most_once("contacts/red", "open").await?;
            timeout(Duration::from_secs(5), off(&mut shop.client)).await.context(shop.name)??;
            shop.samples.push(begin.elapsed());
        }
    }
    let busy = (shops[1].guard.cpu_seconds()? - before) / begin.elapsed().as_secs_f64();
    ensure!(busy > 0.3, "the detector hardly computed: {busy:.2} of a core");
    let mut table = Table::new("red button to off, µs", &["p50", "p99", "p99.9"]);
    for shop in &mut shops {
        shop.load.abort();
        table.row(shop.name, &quantiles(&mut shop.samples));
    }
    table.ratio("disturbed by undisturbed", 1, 0);
    Ok(table)
}

async fn off(client: &mut Client) -> Result<()> {
    while client.message().await?.payload != "off" {}
    Ok(())
}

async fn shop(name: &'static str, disturbed: bool) -> Result<Shop> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let rules = dir.path().join("rules");
    write_rules(&rules, broker.port(), disturbed)?;
    let guard = Process::start(&rules, &dir.path().join("state"))?;
    let mut client = Client::connect(broker.port()).await?;
    client.subscribe("idlegate/health").await?;
    guarding(&mut client).await?;
    client.publish_retained("outlets/mill/says", "on").await?;
    client.subscribe("outlets/mill/order").await?;
    let load = tokio::spawn(feed(broker.port()));
    Ok(Shop { name, _broker: broker, _dir: dir, guard, client, load, samples: Vec::new() })
}

/// Both get the same readings; only in one shop is anybody there who computes.
async fn feed(port: u16) -> Result<()> {
    let mut client = Client::connect(port).await?;
    let mut beat = interval(Duration::from_secs(1) / 50);
    loop {
        beat.tick().await;
        for _ in 0..READINGS_PER_SEC / 50 {
            client.publish_at_most_once("meters/kiln", "12").await?;
        }
    }
}

fn write_rules(dir: &Path, port: u16, disturbed: bool) -> Result<()> {
    idlegate_tests::shop::write_rules(dir, port)?;
    let shop = std::fs::read_to_string(dir.join("shop.toml"))?;
    std::fs::write(dir.join("shop.toml"), shop.replace("[guard]\n", "[guard]\nrepeat_guard = \"0s\"\n"))?;
    std::fs::create_dir_all(dir.join("detectors"))?;
    let computing = Handmade { observe: BUSY_LOOP.to_owned(), ..Handmade::default() };
    std::fs::write(dir.join("detectors/computing.wasm"), computing.file())?;
    let detector = if disturbed {
        "file = \"detectors/computing.wasm\""
    } else {
        "use = \"power-threshold\"\nsettings = { busy_watts = 40, dwell = \"1 min\" }"
    };
    let kiln = format!(
        "[outlet]\nstate = {{ topic = \"outlets/kiln/says\" }}\norder = {{ topic = \"outlets/kiln/order\" }}\n\
         power = \"power\"\n[signals.power]\ntopic = \"meters/kiln\"\nunit = \"W\"\n[[detectors]]\n{detector}\n"
    );
    Ok(std::fs::write(dir.join("machines/kiln.toml"), kiln)?)
}
