//! The red button of a whole hall: from the press to the first and to the last outlet's off, under several loads, each
//! beside a bare client that publishes as many messages through the same broker at the same time.
//!
//! What counts is what the broker delivers to the outlets: each must be told to go off, byte for byte, and nothing
//! else. And each load must have been there: a guard that was never disturbed proves nothing.

use std::collections::{BTreeSet, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use serde_json::Value as Json;
use tokio::task::JoinHandle;
use tokio::time::{interval, sleep, timeout};

use super::Size;
use super::emergency::{BUSY_LOOP, READINGS_PER_SEC};
use super::handmade::Handmade;
use super::process::{guarding, shop};
use super::table::Table;

/// By somebody's panel, valid as they are.
const FLOOD_PER_SEC: u64 = 10_000;
/// Fewer would be no flood.
const FLOOD_PER_SEC_MIN: f64 = 1_000.0;
const PRESSES: usize = 5;
/// A press within a second of the one before is part of it, in a flood.
const BETWEEN: Duration = Duration::from_millis(1_500);
/// Whatever an outlet is told twice comes soon after the first.
const LATECOMERS: Duration = Duration::from_millis(300);
const PATIENCE: Duration = Duration::from_secs(60);
/// A handmade detector that reads it never comes back.
const LOOPS_FOR_EVER: &str = "777";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Load {
    Idle,
    Flood,
    Reload,
    Computing,
    DeadDisk,
}

const LOADS: [(Load, &str); 5] = [
    (Load::Idle, "idle"),
    (Load::Flood, "a panel gone mad"),
    (Load::Reload, "while the rules change"),
    (Load::Computing, "beside looping detectors"),
    (Load::DeadDisk, "with a dead disk"),
];

pub(crate) async fn measure(size: Size) -> Result<Table> {
    let mut table = Table::new(
        "red button of a hall, to the offs, ms",
        &["first", "last", "worst last", "bare last", "last/bare", "offs each"],
    );
    for machines in [1, 100, 1_000].into_iter().filter(|machines| *machines <= size.machines.max(100)) {
        for (load, name) in LOADS {
            let row = row(machines, load).await.with_context(|| format!("{machines} machines, {name}"))?;
            table.row(format!("{machines} machines, {name}"), &row);
        }
    }
    Ok(table)
}

/// Medians, but for the worst.
async fn row(machines: usize, load: Load) -> Result<[f64; 6]> {
    let mut hall = Hall::open(machines, load).await?;
    let (mut firsts, mut lasts, mut bares, mut each) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for number in 0..PRESSES {
        let told = hall.press(number).await?;
        firsts.push(told.first);
        lasts.push(told.last);
        each.push(told.each);
        bares.push(hall.bare().await?.last);
        sleep(BETWEEN).await;
    }
    hall.load_was_there().await?;
    hall.load.iter().for_each(JoinHandle::abort);
    let worst = lasts.iter().copied().fold(0.0, f64::max);
    let (last, bare) = (median(&mut lasts), median(&mut bares));
    Ok([median(&mut firsts), last, worst, bare, last / bare, median(&mut each)])
}

fn median(of: &mut [f64]) -> f64 {
    of.sort_by(f64::total_cmp);
    of[of.len() / 2]
}

/// What the outlets heard of one press, in milliseconds after it.
struct Told {
    first: f64,
    last: f64,
    /// How often each was told, on average.
    each: f64,
}

struct Hall {
    machines: usize,
    _broker: Mosquitto,
    _dir: tempfile::TempDir,
    guard: Process,
    outlets: Client,
    hand: Client,
    kind: Load,
    load: Vec<JoinHandle<Result<()>>>,
    /// Messages of the flood, or changes of the rules.
    loaded: Arc<AtomicU64>,
    begin: Instant,
    cpu_seconds_before: f64,
}

impl Hall {
    async fn open(machines: usize, kind: Load) -> Result<Hall> {
        let broker = Mosquitto::start()?;
        let dir = tempfile::tempdir()?;
        let rules = dir.path().join("rules");
        shop(&rules, broker.port(), machines, 1)?;
        write_inputs(&rules)?;
        if kind == Load::Computing {
            write_computing(&rules)?;
        }
        let state = state_folder(dir.path(), kind)?;
        let mut hand = Client::connect(broker.port()).await?;
        for topic in ["idlegate/health", "idlegate/incident", "idlegate/machine/machine-0"] {
            hand.subscribe(topic).await?;
        }
        let guard = Process::start(&rules, &state)?;
        guarding(&mut hand).await?;
        let mut outlets = Client::connect(broker.port()).await?;
        outlets.subscribe("outlets/+/order").await?;
        outlets.subscribe("bare/+/order").await?;
        for number in 0..machines {
            outlets.publish_at_most_once(&format!("outlets/{number}/says"), "on").await?;
        }
        // What came up with it has been said.
        sleep(Duration::from_secs(2)).await;
        let loaded = Arc::new(AtomicU64::new(0));
        let load = match kind {
            Load::Idle | Load::DeadDisk => Vec::new(),
            Load::Flood => vec![tokio::spawn(flood(broker.port(), loaded.clone()))],
            Load::Reload => vec![tokio::spawn(keep_changing(rules.clone(), loaded.clone()))],
            Load::Computing => vec![tokio::spawn(feed(broker.port()))],
        };
        let (begin, cpu_seconds_before) = (Instant::now(), guard.cpu_seconds()?);
        sleep(Duration::from_secs(1)).await;
        Ok(Hall {
            machines,
            _broker: broker,
            _dir: dir,
            guard,
            outlets,
            hand,
            kind,
            load,
            loaded,
            begin,
            cpu_seconds_before,
        })
    }

    async fn press(&mut self, number: usize) -> Result<Told> {
        if self.kind == Load::Computing {
            self.hand.publish_at_most_once(&format!("loops/{number}"), LOOPS_FOR_EVER).await?;
        }
        let begin = Instant::now();
        self.hand.publish_at_most_once("contacts/red", "open").await?;
        let told = self.offs("outlets/", begin).await?;
        // They obey; else they would be told again.
        for number in 0..self.machines {
            self.outlets.publish_at_most_once(&format!("outlets/{number}/says"), "off").await?;
        }
        Ok(told)
    }

    async fn bare(&mut self) -> Result<Told> {
        let begin = Instant::now();
        for number in 0..self.machines {
            self.hand.publish_and_go_on(&format!("bare/{number}/order"), "off").await?;
        }
        self.offs("bare/", begin).await
    }

    /// Until each has its own, and whatever comes twice.
    async fn offs(&mut self, prefix: &str, begin: Instant) -> Result<Told> {
        let wanted: HashSet<String> =
            (0..self.machines).map(|number| format!("{prefix}{number}/order")).collect();
        let mut told = HashSet::new();
        let (mut first, mut last, mut count) = (None, Duration::ZERO, 0_u32);
        loop {
            let patience = if told.len() < self.machines { PATIENCE } else { LATECOMERS };
            let Ok(message) = timeout(patience, self.outlets.message()).await else { break };
            let message = message?;
            let topic = String::from_utf8(message.topic.to_vec())?;
            ensure!(wanted.contains(&topic), "something was sent on {topic}");
            ensure!(message.payload == "off", "{topic} was told {:?}", message.payload);
            first.get_or_insert_with(|| begin.elapsed());
            count += 1;
            if told.insert(topic) {
                last = begin.elapsed();
            }
        }
        ensure!(told.len() == self.machines, "{} of {} outlets were told", told.len(), self.machines);
        let millis = |span: Duration| span.as_secs_f64() * 1e3;
        let each = f64::from(count) / f64::from(u32::try_from(self.machines)?);
        Ok(Told { first: millis(first.context("no outlet was told")?), last: millis(last), each })
    }

    /// Judged by what the guard itself says of it where it is the guard that is disturbed.
    async fn load_was_there(&mut self) -> Result<()> {
        let spent = self.begin.elapsed().as_secs_f64();
        // Anew: what is kept says what is so now.
        self.hand.subscribe("idlegate/health").await?;
        sleep(LATECOMERS).await;
        let heard = self.heard()?;
        let of = |topic: &'static str| {
            heard.iter().filter(move |(heard, _)| heard == topic).map(|(_, message)| message)
        };
        let journal = || of("idlegate/health").filter_map(|health| health["journal"].as_str()).next_back();
        match self.kind {
            Load::Idle => ensure!(journal().is_none_or(|journal| journal == "ok"), "the disk has a fault"),
            Load::DeadDisk => {
                ensure!(journal().is_some_and(|journal| journal.starts_with("degraded")), "the disk works");
            }
            Load::Flood => {
                #[expect(clippy::cast_precision_loss, reason = "some thousands")]
                let rate = self.loaded.load(Ordering::Relaxed) as f64 / spent;
                ensure!(rate > FLOOD_PER_SEC_MIN, "the panel sent {rate:.0} messages/s");
                let named = of("idlegate/incident").any(|it| it["kind"] == "flood" && it["input"] == "panel");
                ensure!(named, "nobody noticed the flood");
            }
            Load::Reload => {
                let rules: BTreeSet<&str> =
                    of("idlegate/health").filter_map(|health| health["rules"].as_str()).collect();
                let changes = self.loaded.load(Ordering::Relaxed);
                ensure!(rules.len() > 2, "of {changes} changes {} were seen", rules.len());
            }
            Load::Computing => {
                let busy = (self.guard.cpu_seconds()? - self.cpu_seconds_before) / spent;
                ensure!(busy > 0.3, "the detectors hardly computed: {busy:.2} of a core");
                let mut left: BTreeSet<String> =
                    (0..PRESSES).map(|number| format!("its detector loops-{number} stopped")).collect();
                let mut said: Vec<String> = of("idlegate/incident").map(Json::to_string).collect();
                let deadline = Instant::now() + PATIENCE;
                // How a machine is doing is published now and then.
                loop {
                    left.retain(|stopped| !said.iter().any(|it| it.contains(stopped)));
                    if left.is_empty() {
                        break;
                    }
                    ensure!(Instant::now() < deadline, "not said by the guard: {left:?}");
                    sleep(LATECOMERS).await;
                    said = self.heard()?.iter().map(|(_, message)| message.to_string()).collect();
                }
            }
        }
        Ok(())
    }

    /// What the guard has said of itself and of the first machine so far.
    fn heard(&mut self) -> Result<Vec<(String, Json)>> {
        let mut heard = Vec::new();
        while let Some(message) = self.hand.try_message() {
            let topic = String::from_utf8(message.topic.to_vec())?;
            heard.push((topic, serde_json::from_slice(&message.payload)?));
        }
        Ok(heard)
    }
}

fn write_inputs(rules: &Path) -> Result<()> {
    let inputs = "[inputs.panel]\nmachines = \"all\"\n[inputs.red]\ntopic = \"contacts/red\"\nmachines = \"all\"\n\
                  emergency = true\n[inputs.red.gestures]\nopen = \"emergency-off\"\n";
    Ok(std::fs::write(rules.join("inputs.toml"), inputs)?)
}

/// On the first machine, beside its own detector: one that always computes just as long as it may, and for each press
/// one that loops until it is stopped.
fn write_computing(rules: &Path) -> Result<()> {
    std::fs::create_dir_all(rules.join("detectors"))?;
    let computing = Handmade { observe: BUSY_LOOP.to_owned(), ..Handmade::default() };
    std::fs::write(rules.join("detectors/computing.wasm"), computing.file())?;
    std::fs::write(rules.join("detectors/looping.wasm"), Handmade::default().file())?;
    let file = rules.join("machines/machine-0.toml");
    let mut text = std::fs::read_to_string(&file)?;
    for number in 0..PRESSES {
        text.push_str(&format!("[signals.loops-{number}]\ntopic = \"loops/{number}\"\nunit = \"W\"\n"));
    }
    text.push_str("[[detectors]]\nfile = \"detectors/computing.wasm\"\n");
    for number in 0..PRESSES {
        text.push_str(&format!(
            "[[detectors]]\nname = \"loops-{number}\"\nfile = \"detectors/looping.wasm\"\n\
             signals = {{ power = \"loops-{number}\" }}\n"
        ));
    }
    Ok(std::fs::write(file, text)?)
}

/// With a dead disk nothing can be written where it is.
fn state_folder(dir: &Path, load: Load) -> Result<PathBuf> {
    let state = dir.join("state");
    if load == Load::DeadDisk {
        std::fs::write(&state, "a file where a folder should be")?;
        return Ok(state.join("below"));
    }
    Ok(state)
}

async fn flood(port: u16, sent: Arc<AtomicU64>) -> Result<()> {
    let mut client = Client::connect(port).await?;
    let mut beat = interval(Duration::from_secs(1) / 50);
    loop {
        beat.tick().await;
        for _ in 0..FLOOD_PER_SEC / 50 {
            let ask = r#"{"machine":"machine-0","request":"off"}"#;
            client.publish_at_most_once("idlegate/request/panel", ask).await?;
            sent.fetch_add(1, Ordering::Relaxed);
        }
    }
}

async fn keep_changing(rules: PathBuf, changes: Arc<AtomicU64>) -> Result<()> {
    let file = rules.join("machines/machine-0.toml");
    let text = std::fs::read_to_string(&file)?;
    for change in 0_u64.. {
        std::fs::write(&file, text.replace("Machine 0", &format!("Machine 0, changed {change} times")))?;
        changes.fetch_add(1, Ordering::Relaxed);
        sleep(Duration::from_millis(700)).await;
    }
    Ok(())
}

async fn feed(port: u16) -> Result<()> {
    let mut client = Client::connect(port).await?;
    let mut beat = interval(Duration::from_secs(1) / 50);
    loop {
        beat.tick().await;
        for _ in 0..READINGS_PER_SEC / 50 {
            client.publish_at_most_once("meters/0", "12").await?;
        }
    }
}
