//! What meters say.

use anyhow::Result;
use idlegate_tests::floor::{Floor, Machine, Meter, Station, at_all};
use tokio::time::Instant;

use super::{DWELL, Moments, presses_during_the_dwell};

/// A pack whose last reading is an idle one, and one or more of the others are not.
pub(crate) async fn packs(mut given: Moments) -> Result<u32> {
    let machines = vec![Machine::with(Meter::Packs, DWELL); given.machines];
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let rounds = given.rounds;
    let (_, moments) = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.goes_off_at_rest().await?;
            station.passes_for(3_500, 5_500).await?;
            hidden_work(&mut station).await?;
            presses_during_the_dwell(&mut station).await?;
        }
        station.goes_off_at_rest().await?;
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}

async fn hidden_work(station: &mut Station) -> Result<()> {
    let mut readings: Vec<(f64, f64)> =
        (0..8_u8).map(|nth| (f64::from(nth) * 0.2, station.chance.between(2.0, 12.0))).collect();
    let newest = 1 + usize::try_from(station.chance.number() % 7)?;
    for (_, watts) in readings.iter_mut().skip(newest).take(1 + usize::try_from(station.chance.number() % 7)?)
    {
        *watts = station.chance.between(150.0, 900.0);
    }
    let ago = std::time::Duration::from_secs_f64(readings[newest].0);
    // In any order: times say what was first.
    for at in (1..readings.len()).rev() {
        readings.swap(at, usize::try_from(station.chance.number())? % (at + 1));
    }
    station.forbids_until(Instant::now() + DWELL - ago, "a reading in the middle of a pack shows work");
    station.says(Meter::pack(&readings)).await
}

/// Among the readings of a machine at rest comes a message that nobody can read; then the meter goes on, or is silent.
pub(crate) async fn unreadable(mut given: Moments) -> Result<u32> {
    let machines = given.machines_of_all_kinds();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let rounds = given.rounds;
    let (_, moments) = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            station.goes_off_at_rest().await?;
            station.passes_for(3_500, 5_500).await?;
            let babble = station.machine.meter.babbles(&mut station.chance);
            let is_silent = station.chance.happens(0.5);
            station.is_silent(is_silent);
            station.forbids(&format!("its meter had said {:?}", String::from_utf8_lossy(&babble)));
            station.says(babble).await?;
            presses_during_the_dwell(&mut station).await?;
            if let Some(something_else) = station.machine.meter.says_something_else() {
                station.says(something_else).await?;
                station.press().await?;
            }
            station.is_silent(false);
        }
        station.goes_off_at_rest().await?;
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}
