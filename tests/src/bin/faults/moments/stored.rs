//! What brokers keep, and what comes in with the mark of it.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use idlegate_tests::broker::{Mosquitto, MosquittoSettings};
use idlegate_tests::client::Client;
use idlegate_tests::floor::{Floor, PATIENCE, Station, at_all, stretch};
use idlegate_tests::proxy::Proxy;
use tokio::time::{Instant, sleep, timeout};

use super::{DWELL, Moments, NEVER};
use crate::stage::Harm;

/// Meters that have every reading stored, with rules that know it and rules that do not; a smoke contact that does,
/// too.
pub(crate) async fn flagged(mut given: Moments) -> Result<u32> {
    let kinds = [(true, true), (true, false), (false, true), (false, false)];
    let mut machines = given.machines_that_tell_at_once();
    for (machine, kind) in machines.iter_mut().zip(kinds.iter().cycle()) {
        (machine.retains, machine.sender_stores) = *kind;
    }
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let rounds = given.rounds;
    let smoke = Instant::now() + Duration::from_secs(9) * rounds + stretch(&mut given.chance, 0, 3_000);
    let work = at_all(stations, |mut station| async move {
        station.is_meant_to_go_off(smoke);
        let is_believed = station.machine.sender_stores || !station.machine.retains;
        if !is_believed {
            station.forbids_until(Instant::now() + NEVER, "its readings may all be old ones");
        }
        while Instant::now() + Duration::from_secs(1) < smoke {
            station.is_on_again().await?;
            station.passes_for(0, 4_500).await?;
            station.press().await?;
            // What was asked for at rest may come now.
            station.passes_for(1_000, 1_500).await?;
            station.is_on_again().await?;
            station.works(true);
            station.passes_for(10, 800).await?;
            station.press().await?;
            station.passes_for(0, 800).await?;
            station.works(false);
            station.passes_for(0, 1_500).await?;
            station.press().await?;
        }
        station.is_on_again().await?;
        station.passes(smoke.saturating_duration_since(Instant::now())).await?;
        goes_off_in(smoke, &mut station).await?;
        Ok(station)
    });
    let contact = async {
        let mut contact = Client::connect(floor.broker.port()).await?;
        contact.publish_retained("contacts/red", "closed").await?;
        tokio::time::sleep_until(smoke).await;
        contact.publish_retained("contacts/red", "open").await
    };
    let (moments, smoke) = tokio::join!(work, contact);
    smoke?;
    let (_, moments) = moments?;
    floor.close().await?;
    Ok(moments)
}

async fn goes_off_in(smoke: Instant, station: &mut Station) -> Result<()> {
    while !station.went_off_after(smoke) {
        if Instant::now() > smoke + PATIENCE {
            return Err(Harm::EmergencyRefused.into());
        }
        station.passes(Duration::from_millis(300)).await?;
    }
    Ok(())
}

/// Presses that another broker has stored come back whenever its bridge connects anew; all machines stand idle.
pub(crate) async fn bridge(mut given: Moments) -> Result<u32> {
    let machines = given.machines_of_all_kinds();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let line = Proxy::start(floor.broker.port()).await?;
    let bridge = Some((line.port(), "buttons/#".to_owned()));
    let far = Mosquitto::start_with(&MosquittoSettings { bridge, ..MosquittoSettings::default() })?;
    let mut listener = Client::connect(floor.broker.port()).await?;
    listener.subscribe("idlegate/decision").await?;
    let mut chance = given.chance.branch();
    let ends = Instant::now() + Duration::from_secs(9) * given.rounds;
    let resting = at_all(stations, |mut station| async move {
        station.passes(DWELL + Duration::from_millis(500)).await?;
        station.forbids_until(Instant::now() + NEVER, "somebody had pressed long ago");
        station.passes(ends.saturating_duration_since(Instant::now())).await?;
        station.allows();
        while !station.is_off() {
            ensure!(Instant::now() < ends + PATIENCE, "a live press over the bridge is not obeyed");
            station.passes(Duration::from_millis(300)).await?;
        }
        Ok(station)
    });
    let bridging = async {
        let mut button = Client::connect(far.port()).await?;
        sleep(DWELL + Duration::from_secs(1)).await;
        for number in 0..given.machines {
            button.publish_retained(&format!("buttons/{number}"), "press").await?;
        }
        let mut brought_back = presses_come_back(&mut listener, given.machines).await?;
        while Instant::now() + Duration::from_secs(2) < ends {
            sleep(stretch(&mut chance, 100, 1_500)).await;
            line.cut();
            brought_back += presses_come_back(&mut listener, given.machines).await?;
        }
        tokio::time::sleep_until(ends + Duration::from_millis(100)).await;
        for number in 0..given.machines {
            button.publish(&format!("buttons/{number}"), "press").await?;
        }
        anyhow::Ok((button, brought_back))
    };
    let (resting, bridging) = tokio::join!(resting, bridging);
    resting?;
    let (_button, brought_back) = bridging?;
    floor.close().await?;
    Ok(brought_back)
}

/// One from each of so many machines, and each ignored for what it is.
async fn presses_come_back(listener: &mut Client, machines: usize) -> Result<u32> {
    let heard = async {
        for _ in 0..machines {
            let decision: serde_json::Value = serde_json::from_slice(&listener.message().await?.payload)?;
            ensure!(decision["decision"] == "ignored", "a stored press was more than ignored: {decision}");
        }
        Ok(())
    };
    timeout(PATIENCE, heard).await.context("the bridge brings nothing back")??;
    Ok(u32::try_from(machines)?)
}
