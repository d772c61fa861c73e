//! From a press to the order while a hundred people look at the page, beside the same guard while nobody does, block by
//! block in turn; and what the guard's own thread works meanwhile.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Mosquitto, free_port};
use idlegate_tests::client::Client;
use idlegate_tests::events::Viewer;
use idlegate_tests::process::Process;
use tokio::task::JoinSet;
use tokio::time::sleep;

use super::Size;
use super::press::{heard, meter, rules};
use super::table::{Table, quantiles};

const VIEWERS: usize = 100;
/// Of each kind.
const BLOCKS: usize = 4;
const READINGS_PER_SEC: u64 = 20;
const PAUSE: Duration = Duration::from_millis(55);

#[derive(Default)]
struct Measured {
    samples: Vec<Duration>,
    lasted: Duration,
    worked: Duration,
}

pub(crate) async fn measure(size: Size) -> Result<Table> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    rules(dir.path(), broker.port())?;
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, free_port()?));
    let file = dir.path().join("shop.toml");
    let shop = std::fs::read_to_string(&file)?;
    std::fs::write(&file, format!("{shop}\n[monitoring]\nlisten = \"{address}\"\npage = true\n"))?;
    let guard = Process::start(dir.path(), &dir.path().join("state"))?;
    let mut client = Client::connect(broker.port()).await?;
    client.subscribe("outlets/mill/order").await?;
    client.subscribe("idlegate/health").await?;
    heard(&mut client, "idlegate/health").await?;
    let load = tokio::spawn(meter(broker.port(), READINGS_PER_SEC));
    // The detector must have seen enough quiet.
    sleep(Duration::from_secs(2)).await;
    let (mut alone, mut watched) = (Measured::default(), Measured::default());
    let presses = (size.presses / 4 / BLOCKS).max(1);
    for _ in 0..BLOCKS {
        block(&mut client, &guard, presses, &mut alone).await?;
        let mut viewers = JoinSet::new();
        for _ in 0..VIEWERS {
            viewers.spawn(Viewer::come(address).await?.look_on(DEADLINE));
        }
        block(&mut client, &guard, presses, &mut watched).await?;
        anyhow::ensure!(viewers.try_join_next().is_none(), "a viewer who reads was sent away");
        viewers.shutdown().await;
    }
    load.abort();
    let mut table = Table::new("press to order, µs", &["p50", "p99", "p99.9", "loop, ms/s"]);
    for (name, measured) in [("nobody looks at the page", &mut alone), ("100 look at it", &mut watched)] {
        let [p50, p99, p999] = quantiles(&mut measured.samples);
        let share = measured.worked.as_secs_f64() / measured.lasted.as_secs_f64() * 1e3;
        table.row(name, &[p50, p99, p999, share]);
    }
    table.ratio("100 by nobody", 1, 0);
    Ok(table)
}

async fn block(client: &mut Client, guard: &Process, presses: usize, into: &mut Measured) -> Result<()> {
    let (begin, worked) = (Instant::now(), loop_time(guard)?);
    for _ in 0..presses {
        client.publish("outlets/mill/says", "on").await?;
        sleep(PAUSE).await;
        let press = Instant::now();
        client.publish_at_most_once("buttons/mill", "press").await?;
        heard(client, "outlets/mill/order").await.context("the guard")?;
        into.samples.push(press.elapsed());
        client.publish("outlets/mill/says", "off").await?;
    }
    into.lasted += begin.elapsed();
    into.worked += loop_time(guard)?.saturating_sub(worked);
    Ok(())
}

/// Of the thread that guards, which is the program's first, and of no other.
fn loop_time(guard: &Process) -> Result<Duration> {
    let id = guard.id();
    let text = std::fs::read_to_string(format!("/proc/{id}/task/{id}/schedstat"))?;
    let nanos = text.split_whitespace().next().context("no schedstat")?;
    Ok(Duration::from_nanos(nanos.parse()?))
}
