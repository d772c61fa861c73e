//! What people do, and what does it for them.

use anyhow::{Result, ensure};
use idlegate_tests::floor::{Floor, PATIENCE, Station, at_all, stretch};
use tokio::time::{Duration, Instant};

use super::Moments;

/// A panel that may not force asks for an off again and again; somebody at the bench holds the button down once, by
/// mistake.
pub(crate) async fn panel_repeats(mut given: Moments) -> Result<u32> {
    let machines = given.machines_of_all_kinds();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let (_, moments) = at_all(stations, |mut station| async move {
        station.works(true);
        station.passes_for(500, 3_500).await?;
        let mistake = Instant::now() + stretch(&mut station.chance, 1_000, 9_000);
        let mut held = false;
        for _ in 0..4 {
            station.publish(&format!("panels/{}", station.number()), "off").await?;
            let next = Instant::now() + Duration::from_secs(3);
            if !held && mistake < next {
                station.passes(mistake.saturating_duration_since(Instant::now())).await?;
                station.hold_down().await?;
                held = true;
            }
            station.passes(next.saturating_duration_since(Instant::now())).await?;
        }
        ensure!(held, "nobody made the mistake");
        way_out(&mut station).await?;
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}

/// Others switch on what is on, more often than anybody can force; whoever means it forces all the same.
pub(crate) async fn others_say_on(mut given: Moments) -> Result<u32> {
    let machines = given.machines_of_all_kinds();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let rounds = given.rounds;
    let (_, moments) = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.works(true);
            station.passes_for(500, 3_500).await?;
            forced_among_ons(&mut station).await?;
            station.is_not_meant_to_go_off();
            station.is_on_again().await?;
        }
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}

async fn forced_among_ons(station: &mut Station) -> Result<()> {
    let every = Duration::from_millis(750);
    let begin = Instant::now();
    let mut hand = begin + stretch(&mut station.chance, 0, 2_000);
    let mut others = begin;
    let mut gestures = ["press", "long-press"].into_iter().cycle();
    while !station.is_off() {
        ensure!(Instant::now() < begin + PATIENCE, "machine {} cannot be forced", station.number());
        station.passes(hand.min(others).saturating_duration_since(Instant::now())).await?;
        if station.is_off() {
            break;
        }
        if others <= hand {
            station.panel("on").await?;
            others += every;
            continue;
        }
        let gesture = gestures.next().unwrap_or("press");
        if gesture == "press" {
            station.press().await?;
        } else {
            station.is_meant_to_go_off(Instant::now());
            station.hold_down().await?;
        }
        // Later than two gestures of one push, sooner than the end of the window.
        hand = Instant::now() + stretch(&mut station.chance, 1_200, 6_000);
    }
    Ok(())
}

/// Whoever means it needs two gestures, whatever the panel does.
async fn way_out(station: &mut Station) -> Result<()> {
    station.is_meant_to_go_off(Instant::now());
    let until = Instant::now() + PATIENCE;
    while !station.is_off() {
        ensure!(Instant::now() < until, "a person at machine {} has no way out", station.number());
        station.gesture("press").await?;
        station.passes(Duration::from_millis(1_300)).await?;
        station.gesture("long-press").await?;
        station.passes(Duration::from_millis(700)).await?;
    }
    Ok(())
}
