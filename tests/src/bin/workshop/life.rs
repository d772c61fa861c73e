//! What one machine and the people at it do all day.

use std::sync::Arc;

use anyhow::Result;
use idlegate_tests::floor::{Station, write_machine};
use tokio::time::Instant;

use crate::trouble::Lines;

pub(crate) async fn lives(mut station: Station, lines: Arc<Lines>, until: Instant) -> Result<Station> {
    while Instant::now() < until {
        station.is_on_again().await?;
        match station.chance.number() % 20 {
            0..=5 => {
                station.works(true);
                presses(&mut station, 2_500).await?;
                station.works(false);
            }
            6..=14 => presses(&mut station, 9_000).await?,
            15 => {
                station.babbles().await?;
                presses(&mut station, 3_500).await?;
            }
            16 => {
                station.is_silent(true);
                presses(&mut station, 4_000).await?;
                station.is_silent(false);
            }
            17 | 18 => {
                if let Some(something_else) = station.machine.meter.says_something_else() {
                    station.means(something_else, &[]).await?;
                }
                presses(&mut station, 1_000).await?;
            }
            _ => {
                changes_rules(&mut station, &lines).await?;
                presses(&mut station, 3_500).await?;
            }
        }
    }
    station.is_on_again().await?;
    Ok(station)
}

/// Time goes by, and now and then somebody presses; few mean it and hold the button down after that.
async fn presses(station: &mut Station, longest_millis: u64) -> Result<()> {
    let until = Instant::now() + idlegate_tests::floor::stretch(&mut station.chance, 100, longest_millis);
    while Instant::now() < until {
        station.passes_for(0, 1_500).await?;
        if station.chance.happens(0.6) {
            station.press().await?;
        }
        if station.chance.happens(0.04) {
            station.passes_for(1_100, 2_500).await?;
            station.hold_down().await?;
        }
        station.is_on_again().await?;
    }
    Ok(())
}

/// Another title, or a meter on another topic, in the middle of whatever it does.
async fn changes_rules(station: &mut Station, lines: &Lines) -> Result<()> {
    station.machine.title = format!("machine {}", station.chance.number() % 1_000);
    // What a store holds on the other topic may be from the day before.
    if station.chance.happens(0.6) && !station.machine.retains {
        station.machine.elsewhere = !station.machine.elsewhere;
    }
    let _pen = lines.pen.lock().await;
    write_machine(lines.floor.rules_dir(), station.number(), &station.machine)
}
