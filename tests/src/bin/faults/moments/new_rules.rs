//! Rules that are corrected while machines work.

use std::sync::Arc;

use anyhow::{Context, Result};
use idlegate_tests::client::Client;
use idlegate_tests::floor::{Floor, Machine, Meter, PATIENCE, Station, at_all, write_machine};
use tokio::sync::Mutex;
use tokio::time::{Instant, timeout};

use super::{DWELL, Moments};

/// Slips in the rules of a signal, by which a machine seems to rest whatever it does.
const SLIPS: [&str; 4] = [
    "topic = \"meters/elsewhere\"\nunit = \"W\"",
    "topic = \"meters/NN\"\nunit = \"W\"\nscale = 0.001",
    "topic = \"meters/NN\"\nunit = \"W\"\npointer = \"/standby\"",
    "topic = \"meters/NN\"\nunit = \"W\"\noffset = -440",
];

/// The topic, scale, pointer or offset of a signal is set right in the middle of a job, which makes a pause just then.
pub(crate) async fn corrected(mut given: Moments) -> Result<u32> {
    let machines: Vec<Machine> = (0..given.machines).map(|number| machine(number, Some(number))).collect();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    // One hand writes the rules.
    let (floor, pen) = (Arc::new(floor), Arc::new(Mutex::new(())));
    let rounds = given.rounds;
    let (_, moments) =
        at_all(stations, |station| corrected_at(station, floor.clone(), pen.clone(), rounds)).await?;
    let floor = Arc::into_inner(floor).context("somebody still writes rules")?;
    floor.close().await?;
    Ok(moments)
}

fn machine(number: usize, slip: Option<usize>) -> Machine {
    let signal = slip.map(|slip| SLIPS[slip % SLIPS.len()].replace("NN", &number.to_string()));
    Machine { signal: signal.unwrap_or_default(), ..Machine::with(Meter::Plain, DWELL) }
}

async fn corrected_at(
    mut station: Station,
    floor: Arc<Floor>,
    pen: Arc<Mutex<()>>,
    rounds: u32,
) -> Result<Station> {
    let number = station.number();
    let mut listener = Client::connect(floor.broker.port()).await?;
    listener.subscribe(&format!("idlegate/machine/machine-{number}")).await?;
    for round in 0..rounds {
        let slip = number + usize::try_from(round)?;
        station.machine = machine(number, Some(slip));
        renamed(&mut station, &floor, &pen, &mut listener, &format!("slip {round}")).await?;
        // By these rules it rests, and rests for long enough.
        station.is_silent(true);
        rests_by_the_wrong_rules(&mut station, slip).await?;
        station.machine = machine(number, None);
        let before = Instant::now();
        renamed(&mut station, &floor, &pen, &mut listener, &format!("right {round}")).await?;
        station.forbids_until(before + DWELL, "its rules were corrected");
        station.is_silent(false);
        for _ in 0..2 {
            station.passes_for(0, 1_000).await?;
            station.press().await?;
        }
        station.goes_off_at_rest().await?;
    }
    Ok(station)
}

/// So many readings that they make a dwell, while it works and nobody can know.
async fn rests_by_the_wrong_rules(station: &mut Station, slip: usize) -> Result<()> {
    let until = Instant::now() + DWELL + DWELL / 3;
    while Instant::now() < until {
        match slip % SLIPS.len() {
            0 => station.says_on("meters/elsewhere", "3").await?,
            2 => station.says(r#"{"standby":3}"#).await?,
            _ => station.says("455").await?,
        }
        station.passes_for(100, 300).await?;
    }
    Ok(())
}

/// Writes its rules under another title, and waits until that is in force.
async fn renamed(
    station: &mut Station,
    floor: &Floor,
    pen: &Mutex<()>,
    listener: &mut Client,
    title: &str,
) -> Result<()> {
    station.machine.title = title.to_owned();
    {
        let _pen = pen.lock().await;
        write_machine(floor.rules_dir(), station.number(), &station.machine)?;
    }
    let heard = async {
        loop {
            let status = listener.message().await?;
            let status: serde_json::Value = serde_json::from_slice(&status.payload).unwrap_or_default();
            if status["title"] == title {
                return anyhow::Ok(());
            }
        }
    };
    timeout(PATIENCE, heard).await.context("the new rules do not come into force")?
}
