//! A shop floor on a real broker: many machines under one guard, each with a meter, an outlet and a button of its own
//! and moments of its own, so that many moments are tried at once.
//!
//! Judged by what the machines did and what came to their outlets, and by nothing the guard says of itself.

mod meter;
mod rules;
mod station;

use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use idlegate_demo::workshop::Chance;
use idlegate_guard::time::Span;
use serde_json::Value as Json;
use tempfile::TempDir;
use tokio::task::JoinSet;
use tokio::time::timeout;

use crate::broker::Mosquitto;
use crate::client::Client;
use crate::process::Process;
use crate::proxy::{Proxy, Tap};
use crate::shop::Guard;

pub use self::meter::Meter;
pub use self::rules::{Machine, SILENT_MAX, write_machine};
pub use self::station::{Happened, Note, Station, WrongOff};

/// Longer than anything here takes, on a slow computer, too.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// The broker, the line to it, and the guard with its rules.
#[derive(Debug)]
pub struct Floor {
    pub broker: Mosquitto,
    /// The guard's line to the broker.
    pub line: Proxy,
    pub rules: TempDir,
    guard: Running,
}

/// Where the guard runs.
#[derive(Debug)]
enum Running {
    Here(Guard),
    Nowhere,
    /// As a process of its own, with its state folder.
    Apart(Apart),
}

#[derive(Debug)]
struct Apart {
    process: Process,
    state: TempDir,
    environment: Environment,
}

/// Of the program, where it is a process of its own.
type Environment = Vec<(&'static str, String)>;

impl Apart {
    fn start(rules: &Path, state: TempDir, environment: Environment) -> Result<Running> {
        let process = Process::start_in(rules, state.path(), &[], &environment)?;
        Ok(Running::Apart(Apart { process, state, environment }))
    }
}

impl Floor {
    /// Opens with these machines, all of them on and at rest.
    pub async fn open(chance: &mut Chance, machines: &[Machine]) -> Result<(Floor, Vec<Station>)> {
        Floor::open_with(chance, machines, "").await
    }

    /// With more lines in the shop's `[guard]`, and tables behind it.
    pub async fn open_with(
        chance: &mut Chance,
        machines: &[Machine],
        more: &str,
    ) -> Result<(Floor, Vec<Station>)> {
        let broker = Mosquitto::start()?;
        let line = Proxy::start(broker.port()).await?;
        let rules = folder(&line, machines, more)?;
        let guard = Running::Here(Guard::following(rules.path())?);
        Floor { broker, line, rules, guard }.begins(chance, machines).await
    }

    /// With the program as a process of its own, and somebody who hears everything on its line.
    pub async fn open_tapped(
        chance: &mut Chance,
        machines: &[Machine],
        tap: Tap,
    ) -> Result<(Floor, Vec<Station>)> {
        let broker = Mosquitto::start()?;
        let line = Proxy::start_with(broker.port(), tap, None).await?;
        Floor::open_apart(chance, machines, broker, line, Vec::new()).await
    }

    /// With the program as a process of its own, and these variables in its environment.
    pub async fn open_in(
        chance: &mut Chance,
        machines: &[Machine],
        environment: Environment,
    ) -> Result<(Floor, Vec<Station>)> {
        let broker = Mosquitto::start()?;
        let line = Proxy::start(broker.port()).await?;
        Floor::open_apart(chance, machines, broker, line, environment).await
    }

    async fn open_apart(
        chance: &mut Chance,
        machines: &[Machine],
        broker: Mosquitto,
        line: Proxy,
        environment: Environment,
    ) -> Result<(Floor, Vec<Station>)> {
        let rules = folder(&line, machines, "")?;
        let guard = Apart::start(rules.path(), state_folder()?, environment)?;
        Floor { broker, line, rules, guard }.begins(chance, machines).await
    }

    async fn begins(self, chance: &mut Chance, machines: &[Machine]) -> Result<(Floor, Vec<Station>)> {
        let broker = &self.broker;
        guarding(broker.port()).await?;
        let mut stations = Vec::new();
        for (number, machine) in machines.iter().enumerate() {
            let mut station = Station::new(broker.port(), number, machine.clone(), chance.branch()).await?;
            station.is_switched_on().await?;
            stations.push(station);
        }
        Ok((self, stations))
    }

    pub fn rules_dir(&self) -> &Path {
        self.rules.path()
    }

    /// The program, if it is a process of its own.
    pub fn process(&self) -> Option<&Process> {
        match &self.guard {
            Running::Here(_) | Running::Nowhere => None,
            Running::Apart(apart) => Some(&apart.process),
        }
    }

    /// The guard is stopped, and nobody guards.
    pub async fn stops_guarding(&mut self) -> Result<()> {
        stopped(std::mem::replace(&mut self.guard, Running::Nowhere)).await
    }

    /// A guard starts that knows nothing of the one before. It returns before it guards.
    pub fn starts_guarding(&mut self) -> Result<()> {
        self.guard = Running::Here(Guard::following(self.rules.path())?);
        Ok(())
    }

    /// The program, a process of its own, is ended by this signal, and starts with what it had kept.
    pub async fn starts_again(&mut self, signal: &str) -> Result<()> {
        let Running::Apart(Apart { mut process, state, environment }) =
            std::mem::replace(&mut self.guard, Running::Nowhere)
        else {
            bail!("it is no process of its own");
        };
        process.signal(signal)?;
        tokio::task::block_in_place(|| process.wait())?;
        // Its farewell, or its last will; else what it had stored before would be taken for the next one's.
        health(self.broker.port(), |health| health["guard"] == "gone").await?;
        self.guard = Apart::start(self.rules.path(), state, environment)?;
        guarding(self.broker.port()).await
    }

    pub async fn close(self) -> Result<()> {
        stopped(self.guard).await
    }
}

fn state_folder() -> Result<TempDir> {
    Ok(TempDir::with_prefix("idlegate-floor-state-")?)
}

async fn stopped(guard: Running) -> Result<()> {
    match guard {
        Running::Here(guard) => guard.stop().await,
        Running::Nowhere => Ok(()),
        Running::Apart(Apart { mut process, .. }) => {
            process.signal("TERM")?;
            let ended = tokio::task::block_in_place(|| process.wait())?;
            ensure!(ended.success(), "the program ended with {ended}");
            Ok(())
        }
    }
}

fn folder(line: &Proxy, machines: &[Machine], more: &str) -> Result<TempDir> {
    let rules = TempDir::with_prefix("idlegate-floor-")?;
    rules::write(rules.path(), line.port(), machines, more)?;
    Ok(rules)
}

/// Until the guard says that it is there.
pub async fn guarding(port: u16) -> Result<()> {
    health(port, |health| health["guard"] == "guarding").await
}

/// Until the guard says this of its health.
pub async fn health(port: u16, is_it: impl Fn(&Json) -> bool) -> Result<()> {
    let mut client = Client::connect(port).await?;
    client.subscribe("idlegate/health").await?;
    let heard = async {
        loop {
            let message = client.message().await?;
            if is_it(&serde_json::from_slice(&message.payload).unwrap_or_default()) {
                return Ok(());
            }
        }
    };
    timeout(PATIENCE, heard).await.context("the guard's health never came to that")?
}

/// Does the same at every station, all at once, and says how many moments have been tried there. The first that fails
/// ends it.
pub async fn at_all<F>(stations: Vec<Station>, what: impl Fn(Station) -> F) -> Result<(Vec<Station>, u32)>
where
    F: Future<Output = Result<Station>> + Send + 'static,
{
    let mut at_work: JoinSet<Result<Station>> = stations.into_iter().map(what).collect();
    let mut stations = Vec::new();
    while let Some(ended) = at_work.join_next().await {
        stations.push(ended??);
    }
    let moments = stations.iter().map(Station::presses).sum();
    Ok((stations, moments))
}

/// A stretch of time between these two, of any length.
pub fn stretch(chance: &mut Chance, shortest_millis: u64, longest_millis: u64) -> Duration {
    Duration::from_millis(chance.span(Span(shortest_millis), Span(longest_millis)).0)
}
