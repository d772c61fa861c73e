//! A workshop on a real broker, at a high pace: machines with meters of all kinds, lines that lag, stand still and
//! break, a bridge to another broker, rules that change in the middle of jobs, messages that nobody can read, and
//! presses at any time.
//!
//! Judged from the bytes on the program's own line, by a judge that knows nothing of how the program decides. At the
//! end all is calm, and then every machine at rest goes off at a press, and the red button cuts all of them.

mod court;
mod life;
mod trouble;

use std::hash::{BuildHasher as _, RandomState};
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use clap::Parser;
use idlegate_demo::workshop::Chance;
use idlegate_tests::broker::{Mosquitto, MosquittoSettings};
use idlegate_tests::client::Client;
use idlegate_tests::floor::{Floor, Machine, Meter, PATIENCE, Station, at_all};
use idlegate_tests::form::Form;
use idlegate_tests::judge::{Limits, Tally};
use idlegate_tests::proxy::{self, Proxy};
use serde_json::json;
use tokio::sync::{Mutex, mpsc};
use tokio::time::Instant;

use self::court::{Court, Piece};
use self::trouble::Lines;

const MACHINES: usize = 30;
/// Shorter than any of a real machine, so that much happens in a minute.
const DWELL: Duration = Duration::from_secs(2);

/// What may be excused, in a hundred plain offs.
const LIMITS: Limits =
    Limits { unseen: 25.0, lied: 0.0, on_its_way: 10.0, crossed: 15.0, free: 4, plain_min: 40 };

/// A workshop on a real broker, at a high pace
#[derive(Parser)]
struct Args {
    /// So long [default: 5, in short form 0.35]
    #[arg(long, value_name = "N")]
    minutes: Option<f64>,
    /// Chooses what happens, as far as a real broker lets it [default: another one each time]
    #[arg(long, value_name = "S")]
    seed: Option<u64>,
    #[command(flatten)]
    form: Form,
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> Result<()> {
    let Args { minutes, seed, form } = Args::parse();
    let minutes = minutes.unwrap_or(form.either(0.35, 5.0));
    let length = Duration::try_from_secs_f64(60.0 * minutes)?;
    let seed = seed.unwrap_or_else(|| RandomState::new().hash_one(0) % 1_000_000);
    println!("seed {seed}");
    let begin = Instant::now();
    let (tally, presses) = plays(Chance::new(seed), length).await?;
    let took = begin.elapsed();
    for line in tally.lines() {
        println!("{line}");
    }
    form.write(&json!({
        "seed": seed, "minutes": minutes, "presses": presses, "messages": tally.messages, "unreadable": tally.rubbish,
        "plain_offs": tally.plain, "forced_offs": tally.forced, "at_work": tally.at_work, "found": tally.findings.len(),
    }))?;
    let excessive = tally.excessive(&LIMITS);
    if !tally.findings.is_empty() || !excessive.is_empty() {
        bail!("workshop: FAILED (seed {seed}): {} found; {}", tally.findings.len(), excessive.join("; "));
    }
    println!(
        "workshop: ok: {MACHINES} machines for {:.1} min (seed {seed}), {presses} presses, {} plain offs, no working machine cut; \
         all at rest went off, and the red button cut all",
        took.as_secs_f64() / 60.0,
        tally.plain
    );
    Ok(())
}

fn machines(chance: &mut Chance) -> Vec<Machine> {
    let mut machines: Vec<_> = (0..MACHINES).map(|_| Machine::with(Meter::any(chance), DWELL)).collect();
    for machine in machines.iter_mut().skip(3).step_by(6) {
        (machine.retains, machine.sender_stores) = (true, true);
    }
    machines
}

async fn plays(mut chance: Chance, length: Duration) -> Result<(Tally, u32)> {
    let (line, passed) = mpsc::unbounded_channel();
    let (notebook, notes) = mpsc::unbounded_channel();
    let court = tokio::spawn(Court::hears(passed, notes));
    let tap = Arc::new(move |piece: proxy::Piece<'_>| {
        // Whoever does not hear any more has judged.
        let _ = line.send(Piece::of(piece));
    });
    let machines = machines(&mut chance);
    let (floor, mut stations) = Floor::open_tapped(&mut chance, &machines, tap).await?;
    let to_bridge = Proxy::start(floor.broker.port()).await?;
    let bridge = Some((to_bridge.port(), "#".to_owned()));
    let far = Mosquitto::start_with(&MosquittoSettings { bridge, ..MosquittoSettings::default() })?;
    for station in &mut stations {
        station.is_noted_in(notebook.clone());
        if station.number() % 6 == 5 {
            station.speaks_at(far.port()).await?;
        }
    }
    drop(notebook);
    let until = Instant::now() + length;
    let lines = Arc::new(Lines { floor, to_bridge, pen: Mutex::new(()), stops: Mutex::new(Vec::new()) });
    let troubles = tokio::spawn(trouble::come(lines.clone(), chance.branch(), until));
    let (stations, presses) = at_all(stations, |station| life::lives(station, lines.clone(), until)).await?;
    let troubles = troubles.await??;
    println!("{troubles} troubles with lines, rules and the program itself");

    let (stations, _) = at_all(stations, |mut station| async move {
        station.goes_off_at_rest().await?;
        Ok(station)
    })
    .await?;
    emergency(&lines.floor, stations).await?;
    let lines = Arc::into_inner(lines).context("somebody still has a hand on the lines")?;
    lines.floor.close().await?;
    drop((far, lines.to_bridge));
    Ok((court.await?.judges(&machines, &lines.stops.into_inner())?, presses))
}

/// The red button cuts all of them, whatever they do.
async fn emergency(floor: &Floor, stations: Vec<Station>) -> Result<()> {
    let pressed = Instant::now();
    Client::connect(floor.broker.port()).await?.publish("contacts/red", "open").await?;
    let cut = at_all(stations, |mut station| async move {
        while !station.went_off_after(pressed) {
            ensure!(pressed.elapsed() < PATIENCE, "the red button did not cut machine {}", station.number());
            station.passes(Duration::from_millis(200)).await?;
        }
        Ok(station)
    });
    cut.await.map(drop)
}
