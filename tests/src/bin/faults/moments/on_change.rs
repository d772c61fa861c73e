//! Meters that speak only when their value changes.

use std::time::Duration;

use anyhow::Result;
use idlegate_tests::floor::{Floor, Machine, Meter, SILENT_MAX, Station, at_all};
use tokio::time::Instant;

use super::{Moments, NEVER};

/// Longer than the pace at which the last value is shown to detectors again.
const DWELL: Duration = Duration::from_secs(6);
/// Jobs begin and end, meters lose their connection, and people press, each whenever it likes.
pub(crate) async fn speak_of_changes(mut given: Moments) -> Result<u32> {
    let one = |chance: &mut _| {
        let mut meter = Meter::any(chance);
        if meter == Meter::Packs {
            meter = Meter::Plain;
        }
        Machine { on_change: true, ..Machine::with(meter, DWELL) }
    };
    let machines: Vec<Machine> = (0..given.machines).map(|_| one(&mut given.chance)).collect();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let rounds = given.rounds;
    let (_, moments) = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.goes_off_at_rest().await?;
            works_and_rests(&mut station).await?;
            // Its silence is believed for a whole dwell.
            station.goes_off_at_rest().await?;
            is_out_of_reach(&mut station).await?;
        }
        station.goes_off_at_rest().await?;
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}

async fn works_and_rests(station: &mut Station) -> Result<()> {
    station.passes_for(300, 4_000).await?;
    station.works(true);
    // Its meter says so once, and people press while it is silent.
    station.passes_for(10, 700).await?;
    station.press().await?;
    for _ in 0..2 {
        station.passes_for(0, 4_000).await?;
        station.press().await?;
    }
    station.works(false);
    let until = Instant::now() + DWELL;
    while Instant::now() < until {
        station.passes_for(0, 2_000).await?;
        station.press().await?;
    }
    Ok(())
}

/// Its meter loses its connection, and a job begins unheard; then signs of life come again, and only later a value.
async fn is_out_of_reach(station: &mut Station) -> Result<()> {
    station.passes_for(500, 8_000).await?;
    station.is_silent(true);
    station.passes(SILENT_MAX).await?;
    station.passes_for(50, 500).await?;
    // What was asked for before that has long been answered.
    station.is_on_again().await?;
    station.forbids_until(Instant::now() + NEVER, "its meter had been silent for too long");
    let works = station.chance.happens(0.5);
    station.works(works);
    station.press().await?;
    for _ in 0..4 {
        station.passes_for(0, 2_000).await?;
        station.shows_life().await?;
        station.press().await?;
    }
    station.allows();
    station.forbids("its meter had said nothing for a while");
    station.is_silent(false);
    station.passes_for(10, 2_000).await?;
    station.press().await?;
    Ok(())
}
