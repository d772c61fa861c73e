//! Buttons that number their messages: one that is delivered again is nobody's press, also after a restart; one that
//! counts from 1 again after its battery was changed is heard.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use idlegate_tests::floor::{Floor, PATIENCE, Station, at_all};
use tokio::time::Instant;

use super::{DWELL, Moments, NEVER};
use crate::process::StrangeClock;

/// What each button has pressed: the number that was obeyed, and the highest.
type Pressed = Arc<Mutex<BTreeMap<usize, (u64, u64)>>>;

/// Whose rules say that its numbers are a counter.
fn is_counter(number: usize) -> bool {
    number.is_multiple_of(2)
}

fn button(number: usize) -> String {
    let id = if is_counter(number) { "{ pointer = \"/nr\", counter = true }" } else { "\"/nr\"" };
    format!(
        "[inputs.counter-{number}]\ntopic = \"counters/{number}\"\npointer = \"/button\"\nevent_id = {id}\n\
         machines = [\"machine-{number}\"]\n[inputs.counter-{number}.gestures]\npress = \"off\"\n"
    )
}

/// Delivered again at any moment, across restarts, and counted anew three minutes later by the clock on the wall.
pub(crate) async fn counts_anew(mut given: Moments) -> Result<u32> {
    let mut machines = given.machines_that_tell_at_once();
    for (number, machine) in machines.iter_mut().enumerate() {
        machine.inputs = button(number);
    }
    let clock = StrangeClock::new("+0")?;
    let environment = clock.environment().to_vec();
    let (mut floor, mut stations) = Floor::open_in(&mut given.chance, &machines, environment).await?;
    let pressed = Pressed::default();
    let mut moments = 0;
    for days in 0..i64::from(given.rounds) {
        // By then every id is forgotten.
        let day = format!("+{}", days * 2 * 86_400);
        clock.set(&day)?;
        (stations, _) = at_all(stations, |station| is_pressed(station, pressed.clone())).await?;
        (stations, _) = at_all(stations, |station| comes_again(station, pressed.clone())).await?;
        floor.starts_again(if given.chance.happens(0.5) { "TERM" } else { "KILL" }).await?;
        (stations, _) = at_all(stations, |station| comes_again(station, pressed.clone())).await?;
        // Three minutes: the battery was changed.
        clock.set(&format!("+{}", days * 2 * 86_400 + 180))?;
        floor.starts_again("TERM").await?;
        (stations, _) = at_all(stations, |station| counts_from_one(station, pressed.clone())).await?;
        moments += u32::try_from(stations.len())? * 5;
        clock.set(&format!("+{}", (days + 1) * 2 * 86_400))?;
        floor.starts_again("TERM").await?;
    }
    floor.close().await?;
    Ok(moments)
}

async fn says(station: &mut Station, number: u64) -> Result<()> {
    let topic = format!("counters/{}", station.number());
    station.publish(&topic, &format!(r#"{{"button":"press","nr":{number}}}"#)).await
}

/// Until it goes off, and some more.
async fn is_pressed(mut station: Station, pressed: Pressed) -> Result<Station> {
    let begin = Instant::now();
    let mut number = 0;
    while !station.went_off_after(begin) {
        ensure!(Instant::now() < begin + PATIENCE, "machine {} is never switched off", station.number());
        number += 1;
        says(&mut station, number).await?;
        station.passes_for(600, 1_200).await?;
    }
    let obeyed = number;
    for _ in 0..4 {
        number += 1;
        says(&mut station, number).await?;
        station.passes_for(50, 400).await?;
    }
    pressed.lock().expect("nobody panics here").insert(station.number(), (obeyed, number));
    Ok(station)
}

fn presses_of(station: &Station, pressed: &Pressed) -> Result<(u64, u64)> {
    pressed
        .lock()
        .expect("nobody panics here")
        .get(&station.number())
        .copied()
        .context("it was never pressed")
}

/// On and at rest, so that any press that is heard switches it off.
async fn rests(station: &mut Station) -> Result<()> {
    station.is_on_again().await?;
    station.works(false);
    station.allows();
    station.passes(DWELL + Duration::from_millis(700)).await
}

async fn comes_again(mut station: Station, pressed: Pressed) -> Result<Station> {
    let (obeyed, highest) = presses_of(&station, &pressed)?;
    rests(&mut station).await?;
    station
        .forbids_until(Instant::now() + NEVER, "that press had been obeyed before, and was delivered again");
    for _ in 0..2 {
        says(&mut station, obeyed).await?;
        station.passes_for(100, 1_500).await?;
        says(&mut station, highest).await?;
        station.passes_for(100, 600).await?;
    }
    station.allows();
    Ok(station)
}

async fn counts_from_one(mut station: Station, pressed: Pressed) -> Result<Station> {
    if !is_counter(station.number()) {
        // Nobody has said that it counts.
        return comes_again(station, pressed).await;
    }
    let (_, highest) = presses_of(&station, &pressed)?;
    rests(&mut station).await?;
    let begin = Instant::now();
    for number in 1..=highest {
        says(&mut station, number).await?;
        station.passes_for(700, 1_200).await?;
        if station.went_off_after(begin) {
            return Ok(station);
        }
    }
    anyhow::bail!("machine {} is not switched off by a button with a new battery", station.number())
}
