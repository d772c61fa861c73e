//! Red buttons that latch: a contact that keeps its position at the broker.

use std::collections::BTreeSet;
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use idlegate_tests::client::Client;
use idlegate_tests::floor::{Floor, PATIENCE, Station, at_all, guarding, stretch};
use tokio::time::{Instant, sleep, timeout};

use super::{Moments, NEVER};
use crate::stage::Harm;

/// Each is pushed in at a moment of its own: live, while nobody guards, and while a guard starts.
pub(crate) async fn pushed(mut given: Moments) -> Result<u32> {
    let machines = given.machines_of_all_kinds();
    let (mut floor, mut stations) = Floor::open(&mut given.chance, &machines).await?;
    let mut moments = 0;
    for _ in 0..given.rounds {
        (stations, _) = at_all(stations, live).await?;
        let (back, found) = restarts(&mut floor, stations, &mut given).await?;
        stations = back;
        moments += u32::try_from(stations.len() + found)?;
    }
    floor.close().await?;
    Ok(moments)
}

async fn live(mut station: Station) -> Result<Station> {
    let works = station.chance.happens(0.7);
    station.works(works);
    station.passes_for(200, 4_000).await?;
    let pushed = Instant::now();
    station.is_meant_to_go_off(pushed);
    station.latch("pushed").await?;
    while !station.went_off_after(pushed) {
        if Instant::now() > pushed + PATIENCE {
            return Err(Harm::EmergencyRefused.into());
        }
        station.passes(Duration::from_millis(200)).await?;
    }
    released_at_last(&mut station).await?;
    Ok(station)
}

/// It is off and locked, and its latch is in.
async fn released_at_last(station: &mut Station) -> Result<()> {
    station.may_not_go_on(Some("its red button was pushed in"));
    for _ in 0..3 {
        let word = if station.chance.happens(0.5) { "unlock" } else { "on" };
        station.panel(word).await?;
        station.passes_for(0, 700).await?;
        station.panel("on").await?;
        station.passes_for(0, 700).await?;
    }
    station.may_not_go_on(Some("it was locked by its red button, and nobody had unlocked it"));
    station.latch("released").await?;
    station.panel("on").await?;
    station.passes_for(300, 1_000).await?;
    station.may_not_go_on(None);
    station.is_not_meant_to_go_off();
    goes_on_unlocked(station).await
}

async fn goes_on_unlocked(station: &mut Station) -> Result<()> {
    let begin = Instant::now();
    while !station.was_ordered_on_after(begin) {
        ensure!(
            Instant::now() < begin + PATIENCE,
            "machine {} is unlocked, and is not switched on",
            station.number()
        );
        station.panel("unlock").await?;
        station.panel("on").await?;
        station.passes(Duration::from_millis(900)).await?;
    }
    Ok(())
}

/// How a latch stands when a guard has started.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Latch {
    Out,
    /// Since before the start.
    Found,
    /// Since some moment in the start.
    Pushed,
}

async fn restarts(
    floor: &mut Floor,
    mut stations: Vec<Station>,
    given: &mut Moments,
) -> Result<(Vec<Station>, usize)> {
    let port = floor.broker.port();
    floor.stops_guarding().await?;
    let mut listener = Client::connect(port).await?;
    listener.subscribe("idlegate/announcement").await?;
    let mut latches = Vec::new();
    for station in &mut stations {
        let latch = match given.chance.between(0.0, 3.0) {
            ..1.0 => Latch::Out,
            ..2.0 => Latch::Found,
            _ => Latch::Pushed,
        };
        if latch == Latch::Found {
            station.latch("pushed").await?;
            station.forbids_until(Instant::now() + NEVER, "a start switches nothing");
        }
        latches.push((station.number(), latch));
    }
    let found: BTreeSet<String> = latches
        .iter()
        .filter(|(_, latch)| *latch == Latch::Found)
        .map(|(number, _)| format!("machine-{number}"))
        .collect();
    floor.starts_guarding()?;
    let count = found.len();
    let told = tokio::spawn(told_of(listener, found));
    let (stations, _) = at_all(stations, move |station| {
        let latch = latches.iter().find(|(number, _)| *number == station.number()).map(|(_, latch)| *latch);
        after_a_start(station, latch.unwrap_or(Latch::Out), port)
    })
    .await?;
    told.await??;
    Ok((stations, count))
}

/// Until people have been told of each of these machines that its latch was found pushed in.
async fn told_of(mut listener: Client, mut machines: BTreeSet<String>) -> Result<()> {
    let begin = Instant::now();
    while !machines.is_empty() {
        let left = PATIENCE.saturating_sub(begin.elapsed());
        let message = timeout(left, listener.message())
            .await
            .with_context(|| format!("nobody is told of {machines:?}"))??;
        let told: serde_json::Value = serde_json::from_slice(&message.payload)?;
        if told["kind"] == "found-pushed" {
            machines.remove(told["machine"].as_str().context("of which machine?")?);
        }
    }
    Ok(())
}

async fn after_a_start(mut station: Station, latch: Latch, port: u16) -> Result<Station> {
    if latch == Latch::Pushed {
        // It may be found, or heard: so the machine may go off, or not.
        sleep(stretch(&mut station.chance, 0, 1_500)).await;
        station.is_meant_to_go_off(Instant::now());
        station.latch("pushed").await?;
    }
    guarding(port).await?;
    // At work, and nobody cuts it.
    let works = station.chance.happens(0.7);
    station.works(works && !station.is_off());
    station.passes_for(500, 2_500).await?;
    station.allows();
    if latch == Latch::Out {
        // Like any other.
        station.goes_off_at_rest().await?;
        station.is_switched_off().await?;
        goes_on_unlocked(&mut station).await?;
        return Ok(station);
    }
    if !station.is_off() {
        station.is_switched_off().await?;
    }
    released_at_last(&mut station).await?;
    Ok(station)
}
