//! Hands and what lies on a button: held again and again, leaned on, and used at a machine whose outlet is wrong about
//! itself.

use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use idlegate_tests::client::Client;
use idlegate_tests::floor::{Floor, Machine, PATIENCE, Station, at_all, stretch};
use serde_json::Value as Json;
use tokio::time::{Instant, sleep};

use super::{GESTURE_MILLIS, Moments};

/// As most rules have it: the same gesture sooner than this after the last is the same gesture.
const REPEAT: Duration = Duration::from_secs(2);
/// Two gestures may arrive so much further from each other than they were made.
const JITTER: Duration = Duration::from_millis(400);

/// Two are enough, unless this computer is so slow that one comes too late.
const HOLDS_MAX: u32 = 4;

fn with_repeats(machines: Vec<Machine>) -> Vec<Machine> {
    let more = "[guard]\nrepeat_guard = \"2s\"".to_owned();
    machines.into_iter().map(|machine| Machine { more: more.clone(), ..machine }).collect()
}

/// An outlet says that it is off, and its machine works: whoever means it holds the button down twice.
pub(crate) async fn outlets_lie(mut given: Moments) -> Result<u32> {
    let machines = given.machines_of_all_kinds();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let rounds = given.rounds * 2;
    let (_, moments) = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.works(true);
            station.passes_for(300, 3_000).await?;
            station.claims("off").await?;
            station.passes_for(200, 2_000).await?;
            if station.chance.happens(0.3) {
                station.press().await?;
                station.passes_for(200, 2_000).await?;
            }
            held_down_twice(&mut station).await?;
            station.is_not_meant_to_go_off();
            station.is_switched_on().await?;
        }
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}

/// The first time alone cuts nothing.
async fn held_down_twice(station: &mut Station) -> Result<()> {
    let begin = Instant::now();
    for nth in 0..HOLDS_MAX {
        if nth > 0 {
            station.is_meant_to_go_off(Instant::now());
        }
        station.hold_down().await?;
        let next = stretch(&mut station.chance, GESTURE_MILLIS.0, GESTURE_MILLIS.1);
        station.passes(next).await?;
        if station.went_off_after(begin) {
            return Ok(());
        }
    }
    bail!("machine {} works, and is not forced by {HOLDS_MAX} gestures", station.number())
}

/// A frightened person holds the button down every second and a half. They are told once to let go, and get out if they
/// do.
pub(crate) async fn held_again_and_again(mut given: Moments) -> Result<u32> {
    let machines = with_repeats(given.machines_of_all_kinds());
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let (port, rounds) = (floor.broker.port(), given.rounds);
    let (_, moments) = at_all(stations, |mut station| async move {
        let mut ears = Client::connect(port).await?;
        ears.subscribe("idlegate/announcement").await?;
        for _ in 0..rounds {
            station.works(true);
            station.passes_for(500, 4_000).await?;
            frightened(&mut station, &mut ears).await?;
            station.is_not_meant_to_go_off();
            station.is_switched_on().await?;
        }
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}

async fn frightened(station: &mut Station, ears: &mut Client) -> Result<()> {
    let begin = Instant::now();
    station.is_meant_to_go_off(begin);
    while ears.try_message().is_some() {}
    let times = station.chance.number() % 5 + 3;
    let mut longest = Duration::ZERO;
    for _ in 0..times {
        let before = Instant::now();
        station.hold_down().await?;
        station.passes_for(1_300, 1_500).await?;
        longest = longest.max(before.elapsed());
    }
    station.passes(Duration::from_millis(300)).await?;
    let told = times_told_to_let_go(station.number(), ears)?;
    if longest + JITTER < REPEAT && !station.went_off_after(begin) {
        ensure!(told == 1, "at machine {} they were told {told} times to let go", station.number());
    }
    // They let go, and do as they were told.
    while !station.went_off_after(begin) {
        ensure!(
            Instant::now() < begin + PATIENCE,
            "whoever lets go at machine {} is shut in",
            station.number()
        );
        let pause = REPEAT + stretch(&mut station.chance, 100, 2_000);
        station.passes(pause).await?;
        if !station.went_off_after(begin) {
            station.hold_down().await?;
        }
    }
    Ok(())
}

fn times_told_to_let_go(number: usize, ears: &mut Client) -> Result<usize> {
    let machine = format!("machine-{number}");
    let mut told = 0;
    while let Some(message) = ears.try_message() {
        let said: Json = serde_json::from_slice(&message.payload).context("an announcement is no JSON")?;
        told += usize::from(said["kind"] == "let-go" && said["machine"] == machine.as_str());
    }
    Ok(told)
}

/// A crate leans on the button, for longer than any window, while the guard's line to the broker stands still now and
/// then.
pub(crate) async fn crate_leans(mut given: Moments) -> Result<u32> {
    let machines = with_repeats(given.machines_that_tell_at_once());
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let mut chance = given.chance.branch();
    let floor = Arc::new(floor);
    let (still, rounds) = (floor.clone(), given.rounds);
    let line = tokio::spawn(async move {
        loop {
            sleep(stretch(&mut chance, 1_500, 5_000)).await;
            let both = chance.happens(0.5);
            still.line.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (true, both));
            sleep(stretch(&mut chance, 300, 4_500)).await;
            still.line.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (false, false));
        }
    });
    let leaning = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.is_on_again().await?;
            station.works(true);
            station.passes_for(500, 3_000).await?;
            leans(&mut station).await?;
            // Somebody takes it away, and the last window ends.
            station.passes(Duration::from_secs(2)).await?;
        }
        Ok(station)
    });
    let leaning = leaning.await;
    line.abort();
    drop(line.await);
    let (_, moments) = leaning?;
    Arc::into_inner(floor).context("somebody still has a hand on the line")?.close().await?;
    Ok(moments)
}

async fn leans(station: &mut Station) -> Result<()> {
    let until = Instant::now() + stretch(&mut station.chance, 9_000, 14_000);
    let pace = stretch(&mut station.chance, 40, 900);
    if station.chance.happens(0.5) {
        station.press().await?;
    }
    while Instant::now() < until {
        let before = Instant::now();
        station.hold_down().await?;
        station.passes(pace).await?;
        if before.elapsed() + JITTER > REPEAT {
            // This computer itself stood still, and two gestures so far apart are two.
            return Ok(());
        }
    }
    Ok(())
}
