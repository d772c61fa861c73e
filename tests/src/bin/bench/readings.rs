//! Readings a second into detectors, beside a bare subscriber on the same broker that does nothing with them.

use std::time::{Duration, Instant};

use anyhow::{Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use serde_json::Value as Json;

use super::Size;
use super::press::Script;
use super::process::{DETECTORS, online, shop};
use super::table::Table;

/// Draws that mean the same, so that only the last of a flood changes anything.
const IDLE: [&str; 2] = ["12", "13"];

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
        let broker = Mosquitto::start()?;
        let dir = tempfile::tempdir()?;
        shop(&dir.path().join("rules"), broker.port(), machines, DETECTORS)?;
        let guard = Process::start(&dir.path().join("rules"), &dir.path().join("state"))?;
        let mut watch = Client::connect(broker.port()).await?;
        watch.subscribe("idlegate/machine/machine-0").await?;
        watch.subscribe("idlegate/health").await?;
        online(&mut watch).await?;
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
        flood.publish_at_most_once("meters/0", "450").await?;
        // The last reading means work; when the guard says so, it has taken in all before.
        let judged = async {
            loop {
                let message = watch.message().await?;
                if message.topic == "idlegate/machine/machine-0"
                    && serde_json::from_slice::<Json>(&message.payload)?["state"] == "busy"
                    && String::from_utf8_lossy(&message.payload).contains("450 W")
                {
                    return anyhow::Ok(begin.elapsed());
                }
            }
        };
        let judged = tokio::time::timeout(Duration::from_secs(300), judged).await??;
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

/// As many readings as a tenth of the others get: it takes its time.
async fn by_script(size: Size, broker: &Mosquitto) -> Result<f64> {
    let mut client = Client::connect(broker.port()).await?;
    client.subscribe("bench/script/command").await?;
    let readings = size.readings / 10;
    let begin = Instant::now();
    for nth in 0..readings {
        client.publish_at_most_once("meters/mill", IDLE[nth as usize % 2]).await?;
    }
    // Answered when all before it has been looked at.
    client.publish_at_most_once("bench/script/button", "press").await?;
    tokio::time::timeout(Duration::from_secs(120), client.message()).await??;
    Ok(f64::from(readings) / begin.elapsed().as_secs_f64())
}
