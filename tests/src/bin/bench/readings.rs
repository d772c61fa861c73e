//! Readings into detectors: how many a second, beside a bare subscriber on the same broker that does nothing with them;
//! and what one costs at a pace at which none waits for another.

use std::time::{Duration, Instant};

use anyhow::{Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use serde_json::Value as Json;
use tempfile::TempDir;
use tokio::time::{interval, sleep, timeout};

use super::Size;
use super::press::Script;
use super::process::{DETECTORS, guarding, shop};
use super::table::Table;

/// Draws that mean the same, so that only the last of a flood changes anything.
const IDLE: [&str; 2] = ["12", "13"];

/// As many whatever the number of machines.
const PACE_PER_SEC: u32 = 1_000;
/// How long nothing is read, to see what the guard takes at rest.
const REST: Duration = Duration::from_secs(5);

/// A guard of so many machines, and a broker of its own.
struct Hall {
    broker: Mosquitto,
    /// Rules and state.
    _dir: TempDir,
    guard: Process,
    /// Has heard that the guard is there.
    watch: Client,
}

impl Hall {
    async fn of(machines: usize) -> Result<Hall> {
        let broker = Mosquitto::start()?;
        let dir = tempfile::tempdir()?;
        shop(&dir.path().join("rules"), broker.port(), machines, DETECTORS)?;
        let guard = Process::start(&dir.path().join("rules"), &dir.path().join("state"))?;
        let mut watch = Client::connect(broker.port()).await?;
        watch.subscribe("idlegate/health").await?;
        guarding(&mut watch).await?;
        Ok(Hall { broker, _dir: dir, guard, watch })
    }
}

pub(crate) async fn measure(size: Size) -> Result<Table> {
    let mut table = Table::new("readings through Mosquitto", &["readings/s", "CPU s/million"]);
    match Script::start_at_new_broker() {
        Ok((broker, script)) => {
            table.row("Python script, one machine", &[by_script(size, &broker).await?, f64::NAN]);
            drop(script);
        }
        Err(why) => println!("the Python script is not measured: {why:#}"),
    }
    for machines in [1, 10, 100, 1_000].into_iter().filter(|machines| *machines <= size.machines) {
        let Hall { broker, _dir, guard, mut watch } = Hall::of(machines).await?;
        watch.subscribe("idlegate/machine/machine-0").await?;
        watch.publish("meters/0", "12").await?;

        let mut sink = Client::connect(broker.port()).await?;
        sink.subscribe("meters/#").await?;
        let mut flood = Client::connect(broker.port()).await?;
        let cpu_before = guard.cpu_seconds()?;
        let begin = Instant::now();
        let sinking = tokio::spawn(async move {
            loop {
                if sink.message().await?.payload == "450" {
                    return anyhow::Ok(begin.elapsed());
                }
            }
        });
        for nth in 0..size.readings {
            let machine = nth as usize % machines;
            flood
                .publish_at_most_once(&format!("meters/{machine}"), IDLE[nth as usize / machines % 2])
                .await?;
        }
        // The last reading means work; when the guard says so, it has taken in all before. A broker may drop it as any
        // other, so it is sent until it is seen.
        let mut last = interval(Duration::from_millis(250));
        let judged = async {
            loop {
                let message = tokio::select! {
                    message = watch.message() => message?,
                    _ = last.tick() => {
                        flood.publish_at_most_once("meters/0", "450").await?;
                        continue;
                    }
                };
                if message.topic == "idlegate/machine/machine-0"
                    && serde_json::from_slice::<Json>(&message.payload)?["state"] == "busy"
                    && String::from_utf8_lossy(&message.payload).contains("450 W")
                {
                    return anyhow::Ok(begin.elapsed());
                }
            }
        };
        let judged = timeout(Duration::from_secs(300), judged).await??;
        let sunk = sinking.await??;
        let cpu = guard.cpu_seconds()? - cpu_before;
        let rate = |took: Duration| f64::from(size.readings) / took.as_secs_f64();
        let first = table.rows();
        table.row(format!("bare subscriber, {machines} topics"), &[rate(sunk), f64::NAN]);
        table.row(
            format!("guard, {machines} machines"),
            &[rate(judged), cpu * 1e6 / f64::from(size.readings)],
        );
        table.ratio("guard by bare subscriber", first + 1, first);
        ensure!(judged.as_secs_f64() > 0.0, "no time has passed");
    }
    Ok(table)
}

/// CPU for a reading when each is handled by itself. In a flood a detector answers many at once, and the more the fewer
/// they are.
pub(crate) async fn measure_paced(size: Size) -> Result<Table> {
    let mut table =
        Table::new(format!("{PACE_PER_SEC} readings/s"), &["CPU µs/reading", "at rest, CPU ms/s"]);
    let mut first = None;
    for machines in [10, 100, 1_000].into_iter().filter(|machines| *machines <= size.machines) {
        let hall = Hall::of(machines).await?;
        let mut meters = Client::connect(hall.broker.port()).await?;
        for machine in 0..machines {
            meters.publish(&format!("meters/{machine}"), IDLE[1]).await?;
        }
        sleep(REST).await;
        let (begin, before) = (Instant::now(), hall.guard.cpu_seconds()?);
        sleep(REST).await;
        let at_rest = (hall.guard.cpu_seconds()? - before) / begin.elapsed().as_secs_f64();

        let readings = size.readings / 10;
        let (begin, before) = (Instant::now(), hall.guard.cpu_seconds()?);
        let mut beat = interval(Duration::from_secs(1) / PACE_PER_SEC);
        for nth in 0..readings as usize {
            beat.tick().await;
            meters
                .publish_at_most_once(&format!("meters/{}", nth % machines), IDLE[nth / machines % 2])
                .await?;
        }
        // The last of them is judged by then.
        sleep(Duration::from_millis(100)).await;
        let cpu = hall.guard.cpu_seconds()? - before - at_rest * begin.elapsed().as_secs_f64();
        let row = table.rows();
        table.row(format!("{machines} machines"), &[cpu * 1e6 / f64::from(readings), at_rest * 1e3]);
        match first {
            None => first = Some(row),
            Some(first) => table.ratio("by the first", row, first),
        }
    }
    Ok(table)
}

/// As many readings as a tenth of the others get: it takes its time.
async fn by_script(size: Size, broker: &Mosquitto) -> Result<f64> {
    let mut client = Client::connect(broker.port()).await?;
    client.subscribe("bench/script/order").await?;
    let readings = size.readings / 10;
    let begin = Instant::now();
    for nth in 0..readings {
        client.publish_at_most_once("meters/mill", IDLE[nth as usize % 2]).await?;
    }
    // Answered when all before it has been looked at.
    client.publish_at_most_once("bench/script/button", "press").await?;
    timeout(Duration::from_secs(120), client.message()).await??;
    Ok(f64::from(readings) / begin.elapsed().as_secs_f64())
}
