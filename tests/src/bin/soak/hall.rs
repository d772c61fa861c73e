//! A hall of machines, half of them at work for ever, and people who ask for all of them.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use anyhow::{Context, Result};
use bytes::Bytes;
use idlegate_tests::client::Client;
use idlegate_tests::judge::watch::{Watch, Wiring};
use idlegate_tests::judge::{Limits, Machine, Says, Tolerance};
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};
use tokio::sync::watch;
use tokio::time::{Instant, MissedTickBehavior, interval, timeout};

pub(crate) const MACHINES: usize = 20;
const ANSWERS: &str = "idlegate/answer/console/soak";
/// From one request to the next.
const ASK_EVERY: Duration = Duration::from_millis(250);
/// Longer than any answer takes in calm.
const PATIENCE: Duration = Duration::from_secs(5);
/// Readings that are none, among the others.
const NONSENSE: [&str; 6] = ["", "NaN", "{\"watts\":", "1e400", "\u{1b}[31mred", "[[[[[[[[[[[["];
const NONSENSE_EVERY: u64 = 97;
/// Every so many machines one whose meter babbles.
const BABBLING: usize = 4;

/// Meters of these machines talk nonsense in between, more often than their dwell is long. They stand idle, but nobody
/// can know.
fn babbles(machine: usize) -> bool {
    machine.is_multiple_of(BABBLING)
}

/// Machines with odd numbers work.
fn works(machine: usize) -> bool {
    machine % 2 == 1
}

/// On a busy computer. How fast anything goes is not judged, so what crosses on the way may be many.
pub(crate) const LIMITS: Limits =
    Limits { unseen: 10.0, lied: 0.0, on_its_way: 10.0, crossed: 25.0, free: 3, plain_min: 5 };

/// Somebody who watches the hall through a proxy, and knows who works.
pub(crate) fn watch() -> Watch {
    let machines = (0..MACHINES).map(|number| {
        let wiring = Wiring {
            meter: format!("meters/{number}"),
            order: format!("outlets/{number}/order"),
            off: "off".to_owned(),
        };
        let machine = Machine {
            name: format!("machine-{number}"),
            busy_watts: 40.0,
            quiet_watts: 36.0,
            dwell: Duration::from_secs(3),
            silence_max: Duration::from_secs(3),
            unseen_max: Duration::from_secs(31),
            order_lasts: Duration::from_secs(2),
            order_repeats: Duration::from_secs(5),
            window: Duration::from_secs(10),
        };
        (machine, wiring)
    });
    let tolerance = Tolerance { crossing: Duration::from_secs(1), dwell: Duration::from_millis(500) };
    let watch = Watch::new(machines.collect(), tolerance);
    (0..MACHINES).filter(|machine| works(*machine)).for_each(|machine| watch.truth(machine, true));
    watch
}

/// The rules of the hall: `edition` makes them differ, and `broken` makes them useless.
pub(crate) fn write_rules(dir: &Path, port: u16, edition: u32, broken: bool) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!(
        "title = \"Hall\"\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\nkeep_alive = \"5s\"\n\
         [guard]\nrepeat_guard = \"0s\"\nhold_longer = false\n"
    );
    replace(&dir.join("shop.toml"), &shop)?;
    let inputs = "[inputs.console]\nmachines = \"all\"\n";
    replace(&dir.join("inputs.toml"), inputs)?;
    for number in 0..MACHINES {
        let edition = if number == 0 { edition } else { 0 };
        let title = if broken && number == 1 { "titel" } else { "title" };
        let text = format!(
            "{title} = \"Machine {number}, edition {edition}\"\n[outlet]\nstate = {{ topic = \"outlets/{number}/says\" }}\n\
             order = {{ topic = \"outlets/{number}/order\" }}\npower = \"power\"\n\
             [signals.power]\ntopic = \"meters/{number}\"\nunit = \"W\"\n\
             [[detectors]]\nuse = \"power-threshold\"\nsettings = {{ busy_watts = 40, dwell = \"3 s\" }}\n"
        );
        replace(&dir.join(format!("machines/machine-{number}.toml")), &text)?;
    }
    Ok(())
}

fn replace(file: &Path, text: &str) -> Result<()> {
    if std::fs::read_to_string(file).is_ok_and(|before| before == text) {
        return Ok(());
    }
    let beside = file.with_extension("toml~");
    std::fs::write(&beside, text)?;
    Ok(std::fs::rename(beside, file)?)
}

/// Readings and a little nonsense, so many a second.
pub(crate) async fn feed(
    port: u16,
    per_sec: u64,
    watch: Watch,
    mut stopped: watch::Receiver<bool>,
) -> Result<u64> {
    const BEATS_PER_SEC: u64 = 50;
    let mut client = Client::connect(port).await?;
    let mut beat = interval(Duration::from_secs(1) / 50);
    beat.set_missed_tick_behavior(MissedTickBehavior::Burst);
    let mut sent = 0_u64;
    loop {
        tokio::select! {
            _ = beat.tick() => {}
            _ = stopped.changed() => return Ok(sent),
        }
        for _ in 0..per_sec / BEATS_PER_SEC {
            sent += 1;
            let (machine, payload, says) = if sent.is_multiple_of(NONSENSE_EVERY) {
                let nth = usize::try_from(sent / NONSENSE_EVERY)?;
                (nth * BABBLING % MACHINES, NONSENSE[nth % NONSENSE.len()].to_owned(), Says::Rubbish)
            } else {
                let machine = usize::try_from(sent)? % MACHINES;
                let watts = if works(machine) { 400 + sent % 90 } else { 10 + sent % 3 };
                // No two are the same, so that the judge can tell them apart.
                let payload = format!("{watts}.{:07}", sent % 10_000_000);
                (machine, payload, Says::Watts(f64::from(u32::try_from(watts)?)))
            };
            let topic = format!("meters/{machine}");
            watch.says(&topic, &payload, says);
            client.publish_at_most_once(&topic, payload).await?;
        }
    }
}

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Obeyed {
    pub(crate) obeyed: u64,
    /// Offs at machines that work, or of which that cannot be known.
    pub(crate) cut: u64,
}

/// The outlets do as they are told, and say so.
pub(crate) async fn play_outlets(
    port: u16,
    watch: Watch,
    mut stopped: watch::Receiver<bool>,
) -> Result<Obeyed> {
    let mut client = Client::connect(port).await?;
    client.subscribe("outlets/+/order").await?;
    for machine in 0..MACHINES {
        client.publish_retained(&format!("outlets/{machine}/says"), "on").await?;
    }
    let mut so_far = Obeyed::default();
    loop {
        let heard = tokio::select! {
            message = timeout(Duration::from_secs(1), client.message()) => message,
            _ = stopped.changed() => return Ok(so_far),
        };
        let Ok(message) = heard else { continue };
        let message = message?;
        let topic = std::str::from_utf8(&message.topic)?.to_owned();
        let machine: usize = topic.split('/').nth(1).context("no machine")?.parse()?;
        so_far.obeyed += 1;
        if message.payload == "off" {
            watch.received(machine);
        }
        so_far.cut += u64::from((works(machine) || babbles(machine)) && message.payload == "off");
        client.publish_retained(&format!("outlets/{machine}/says"), message.payload).await?;
    }
}

/// Whether nothing is being done to the guard just now.
#[derive(Clone, Debug)]
pub(crate) struct Calm(Arc<AtomicU64>);

impl Calm {
    pub(crate) fn new() -> Calm {
        Calm(Arc::new(AtomicU64::new(0)))
    }

    // Even in calm, odd in trouble.
    pub(crate) fn end(&self) {
        self.0.fetch_add(1, Ordering::SeqCst);
    }

    pub(crate) fn begin(&self) {
        self.0.fetch_add(1, Ordering::SeqCst);
    }

    fn number(&self) -> Option<u64> {
        Some(self.0.load(Ordering::SeqCst)).filter(|number| number % 2 == 0)
    }
}

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Outcome {
    pub(crate) asked: u64,
    pub(crate) answered: u64,
    /// Asked while something was being done to the guard, and not answered.
    pub(crate) excused: u64,
    pub(crate) lost: u64,
    pub(crate) doubled: u64,
}

/// Until the guard says that it is there.
pub(crate) async fn guarding(port: u16) -> Result<()> {
    let mut client = Client::connect(port).await?;
    client.subscribe("idlegate/health").await?;
    loop {
        let health: Json = serde_json::from_slice(&client.message().await?.payload).unwrap_or_default();
        if health["guard"] == "guarding" {
            return Ok(());
        }
    }
}

/// Asks for one machine after the other to be switched off, and on again if it is off.
pub(crate) async fn ask(port: u16, calm: Calm, stopped: watch::Receiver<bool>) -> Result<Outcome> {
    let mut client = Client::connect(port).await?;
    client.subscribe(ANSWERS).await?;
    let mut outcome = Outcome::default();
    let mut answers: BTreeMap<u64, u64> = BTreeMap::new();
    let mut off = [false; MACHINES];
    while !*stopped.borrow() {
        outcome.asked += 1;
        let number = outcome.asked;
        let machine = usize::try_from(number)? % MACHINES;
        let request = if off[machine] { "on" } else { "off" };
        let calm_before = calm.number();
        let next = Instant::now() + ASK_EVERY;
        request_for(&mut client, number, machine, request).await?;
        let decision = answer(&mut client, number, &mut answers).await?;
        match decision {
            Some(decision) => {
                outcome.answered += 1;
                if decision["decision"] == "acted" {
                    off[machine] = request == "off";
                }
            }
            None if calm_before.is_some() && calm_before == calm.number() => {
                println!("request {number}, {request} of machine {machine}: no answer");
                outcome.lost += 1;
            }
            None => outcome.excused += 1,
        }
        tokio::time::sleep_until(next).await;
    }
    outcome.doubled = answers.values().filter(|times| **times > 1).count() as u64;
    Ok(outcome)
}

async fn request_for(client: &mut Client, number: u64, machine: usize, request: &str) -> Result<()> {
    let properties = PublishProperties {
        response_topic: Some(ANSWERS.to_owned()),
        correlation_data: Some(Bytes::from(number.to_string())),
        ..PublishProperties::default()
    };
    let body = json!({
        "machine": format!("machine-{machine}"), "request": request, "id": format!("soak-{number}"),
    });
    client.publish_with("idlegate/request/console", &body.to_string(), properties).await
}

/// The answer to this request, if it comes in time. Answers to others, late ones or second ones, are counted, too.
async fn answer(client: &mut Client, number: u64, answers: &mut BTreeMap<u64, u64>) -> Result<Option<Json>> {
    let until = Instant::now() + PATIENCE;
    loop {
        let Ok(message) = tokio::time::timeout_at(until, client.message()).await else { return Ok(None) };
        let message = message?;
        let correlation = message.properties.and_then(|it| it.correlation_data).unwrap_or_default();
        let about: u64 = std::str::from_utf8(&correlation)?.parse()?;
        *answers.entry(about).or_default() += 1;
        if about == number {
            return Ok(Some(serde_json::from_slice(&message.payload)?));
        }
    }
}
