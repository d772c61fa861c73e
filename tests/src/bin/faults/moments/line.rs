//! The guard's line to the broker.

use std::sync::Arc;
use std::time::Duration;

use anyhow::Result;
use idlegate_demo::workshop::Chance;
use idlegate_tests::floor::{Floor, at_all, guarding, health, stretch};
use tokio::sync::{Barrier, watch};
use tokio::time::{Instant, sleep};

use super::{DWELL, Moments, presses_during_the_dwell};

/// While nobody hears it a machine works; when it is heard again it rests, or makes a pause.
pub(crate) async fn outage(mut given: Moments) -> Result<u32> {
    let machines = given.machines_of_all_kinds();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let (floor, rounds) = (Arc::new(floor), given.rounds);
    // The machines, and whoever does it to the line.
    let together = Arc::new(Barrier::new(stations.len() + 1));
    let (heard, heard_again) = watch::channel(Instant::now());
    let line = tokio::spawn(cuts(floor.clone(), together.clone(), given.chance.branch(), rounds, heard));
    let moments = at_all(stations, |mut station| {
        let (together, heard_again) = (together.clone(), heard_again.clone());
        async move {
            for _ in 0..rounds {
                station.goes_off_at_rest().await?;
                station.passes_for(3_500, 4_500).await?;
                together.wait().await;
                // Cut.
                together.wait().await;
                station.works(true);
                station.passes_for(500, 4_000).await?;
                station.works(false);
                together.wait().await;
                let since = *heard_again.borrow();
                station.forbids_until(since + DWELL, "nobody had heard it for a while");
                station.press().await?;
                presses_during_the_dwell(&mut station).await?;
            }
            station.goes_off_at_rest().await?;
            Ok(station)
        }
    });
    let (_, moments) = moments.await?;
    line.await??;
    close(floor).await?;
    Ok(moments)
}

async fn cuts(
    floor: Arc<Floor>,
    together: Arc<Barrier>,
    mut chance: Chance,
    rounds: u32,
    heard: watch::Sender<Instant>,
) -> Result<()> {
    for _ in 0..rounds {
        together.wait().await;
        floor.line.set(|conduct| conduct.refuse = true);
        floor.line.cut();
        health(floor.broker.port(), |health| health["guard"] == "gone").await?;
        together.wait().await;
        sleep(stretch(&mut chance, 4_100, 6_000)).await;
        heard.send_replace(Instant::now());
        floor.line.set(|conduct| conduct.refuse = false);
        guarding(floor.broker.port()).await?;
        together.wait().await;
    }
    Ok(())
}

/// Everything is on its way for longer than a reading takes to come, and never for equally long.
pub(crate) async fn lags(mut given: Moments) -> Result<u32> {
    let machines = given.machines_that_tell_at_once();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let mut chance = given.chance.branch();
    let floor = Arc::new(floor);
    let slow = floor.clone();
    let line = tokio::spawn(async move {
        loop {
            let delay = stretch(&mut chance, 100, 250);
            slow.line.set(|conduct| conduct.delay = delay);
            sleep(stretch(&mut chance, 100, 900)).await;
        }
    });
    let rounds = given.rounds;
    let moments = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.goes_off_at_rest().await?;
            station.passes_for(3_500, 5_500).await?;
            station.works(true);
            // The first reading of the job, and whatever follows until somebody presses.
            station.passes_for(10, 700).await?;
            station.press().await?;
            let goes_on = station.chance.happens(0.5);
            station.works(goes_on);
            station.passes_for(0, 1_000).await?;
            station.press().await?;
            station.works(false);
        }
        station.goes_off_at_rest().await?;
        Ok(station)
    });
    let (_, moments) = moments.await?;
    line.abort();
    drop(line.await);
    close(floor).await?;
    Ok(moments)
}

/// The line stands still for a while and then moves on, without an end of the connection. What waited comes all at
/// once.
pub(crate) async fn stands_still(mut given: Moments) -> Result<u32> {
    let machines = given.machines_that_tell_at_once();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let mut chance = given.chance.branch();
    let floor = Arc::new(floor);
    let still = floor.clone();
    let rounds = given.rounds;
    let line = tokio::spawn(async move {
        let until = Instant::now() + Duration::from_secs(10) * rounds;
        while Instant::now() < until {
            sleep(stretch(&mut chance, 1_500, 4_000)).await;
            // As when the program itself stands still, or as when only what comes to it does.
            let both = chance.happens(0.7);
            still.line.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (true, both));
            // Sooner than the guard gives the connection up.
            sleep(stretch(&mut chance, 500, 4_000)).await;
            still.line.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (false, false));
        }
    });
    let moments = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.passes_for(2_000, 5_000).await?;
            station.works(true);
            station.passes_for(100, 4_000).await?;
            station.works(false);
            let until = Instant::now() + DWELL - Duration::from_millis(100);
            while Instant::now() < until {
                station.passes_for(0, 500).await?;
                station.press().await?;
            }
            station.passes_for(1_000, 2_000).await?;
            station.is_on_again().await?;
        }
        station.goes_off_at_rest().await?;
        Ok(station)
    });
    let (_, moments) = moments.await?;
    line.await?;
    close(floor).await?;
    Ok(moments)
}

async fn close(floor: Arc<Floor>) -> Result<()> {
    match Arc::into_inner(floor) {
        Some(floor) => floor.close().await,
        None => anyhow::bail!("somebody still has a hand on the line"),
    }
}
