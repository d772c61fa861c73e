//! From a press to the command, through Mosquitto: the guard as a process of its own, beside a bare client that bounces a
//! message over the same two hops, which is the least that is possible, and beside a script in Python as somebody would write
//! it who wants no more than the plain rule.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use rumqttc::v5::mqttbytes::v5::Publish;
use tokio::task::JoinHandle;
use tokio::time::{interval, sleep, timeout};

use super::Size;
use super::process::Guard;
use super::table::{Table, quantiles};

/// As many buttons, so that no press is the same gesture as one of the last two seconds.
const BUTTONS: usize = 400;
/// Between two.
const PAUSE: Duration = Duration::from_millis(6);
const LOAD_PER_SEC: u64 = 1_000;
/// The detector must not see a gap as long as its dwell.
const QUIET_PER_SEC: u64 = 20;

/// Whoever turns a message on one topic into one on another.
struct Rival {
    name: &'static str,
    sent: fn(usize) -> String,
    answered: &'static str,
    samples: Vec<Duration>,
    unanswered: usize,
}

pub(crate) async fn measure(size: Size, loaded: bool) -> Result<Table> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    rules(dir.path(), broker.port())?;
    let guard = Guard::start(dir.path(), &dir.path().join("state"))?;
    let mut client = Client::connect(broker.port()).await?;
    for topic in ["outlets/mill/command", "bench/bounced", "bench/script/command", "idlegate/health"] {
        client.subscribe(topic).await?;
    }
    heard(&mut client, "idlegate/health").await?;
    let bouncing = bounce(broker.port()).await?;
    let script = Script::start(broker.port());
    let load = tokio::spawn(meter(broker.port(), if loaded { LOAD_PER_SEC } else { QUIET_PER_SEC }));
    let rival = |name, sent, answered| Rival { name, sent, answered, samples: Vec::new(), unanswered: 0 };
    let mut rivals = vec![
        rival("bare bounce", |_| "bench/bounce".to_owned(), "bench/bounced"),
        rival("guard", |nth| format!("bench/button/{}", nth % BUTTONS), "outlets/mill/command"),
    ];
    match &script {
        Ok(_) => {
            rivals.push(rival("Python script", |_| "bench/script/button".to_owned(), "bench/script/command"))
        }
        Err(why) => println!("the Python script is not measured: {why:#}"),
    }
    // The script has to be there before it is asked.
    sleep(Duration::from_secs(2)).await;
    for nth in 0..size.presses {
        for rival in &mut rivals {
            // A mill that is on and idle, for each of them.
            client.publish("outlets/mill/state", "on").await?;
            sleep(PAUSE).await;
            let begin = Instant::now();
            client.publish_at_most_once(&(rival.sent)(nth), "press").await?;
            match timeout(Duration::from_secs(1), heard(&mut client, rival.answered)).await {
                Ok(answer) => {
                    answer?;
                    rival.samples.push(begin.elapsed());
                }
                // The detector has not seen enough quiet yet, or the computer was elsewhere.
                Err(_) => rival.unanswered += 1,
            }
            client.publish("outlets/mill/state", "off").await?;
        }
    }
    bouncing.abort();
    load.abort();
    drop((guard, script));
    let what = if loaded {
        format!("press to command, µs, {LOAD_PER_SEC} readings/s")
    } else {
        "press to command, µs".to_owned()
    };
    let mut table = Table::new(what, &["p50", "p99", "p99.9"]);
    for rival in &mut rivals {
        if rival.samples.len() < size.presses / 2 {
            bail!("{}: only {} of {} presses were answered", rival.name, rival.samples.len(), size.presses);
        }
        if rival.unanswered > 0 {
            println!("{}: {} of {} not answered within a second", rival.name, rival.unanswered, size.presses);
        }
        table.row(rival.name, &quantiles(&mut rival.samples));
    }
    table.ratio("guard by bare bounce", 1, 0);
    if rivals.len() > 2 {
        table.ratio("guard by Python script", 1, 2);
    }
    Ok(table)
}

async fn heard(client: &mut Client, topic: &str) -> Result<Publish> {
    loop {
        let message = client.message().await?;
        if message.topic == topic {
            return Ok(message);
        }
    }
}

async fn bounce(port: u16) -> Result<JoinHandle<Result<()>>> {
    let mut client = Client::connect(port).await?;
    client.subscribe("bench/bounce").await?;
    Ok(tokio::spawn(async move {
        loop {
            // A pause of the bench is no end of the bounce.
            if let Ok(Ok(message)) = timeout(DEADLINE * 10, client.message()).await {
                client.publish_at_most_once("bench/bounced", message.payload).await?;
            }
        }
    }))
}

/// An idle mill's meter.
async fn meter(port: u16, per_sec: u64) -> Result<()> {
    let mut client = Client::connect(port).await?;
    let mut beat = interval(Duration::from_secs(1) / 20);
    loop {
        beat.tick().await;
        for _ in 0..per_sec / 20 {
            client.publish_at_most_once("meters/mill", "12").await?;
        }
    }
}

/// The test shop with many more buttons.
fn rules(dir: &Path, port: u16) -> Result<()> {
    idlegate_tests::shop::write_rules(dir, port)?;
    let file = dir.join("inputs.toml");
    let mut inputs = std::fs::read_to_string(&file)?;
    for number in 0..BUTTONS {
        inputs.push_str(&format!(
            "[inputs.button-{number}]\ntopic = \"bench/button/{number}\"\nmachines = [\"mill\"]\n\
             [inputs.button-{number}.gestures]\npress = \"off\"\n"
        ));
    }
    Ok(std::fs::write(file, inputs)?)
}

/// Killed when dropped.
struct Script(Child);

impl Script {
    fn start(port: u16) -> Result<Script> {
        let python = python()?;
        let mut child = Command::new(python)
            .args(["-c", include_str!("plain_rule.py"), &port.to_string()])
            .stdin(Stdio::null())
            .spawn()?;
        std::thread::sleep(Duration::from_millis(500));
        if let Some(ended) = child.try_wait()? {
            bail!("it ended: {ended}");
        }
        Ok(Script(child))
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A Python with paho-mqtt, made once beside the programs.
fn python() -> Result<PathBuf> {
    let programs = std::env::current_exe()?;
    let folder = programs.parent().context("no folder of programs")?.join("bench-python");
    let python = folder.join("bin/python");
    if !python.exists() {
        let made = Command::new("python3").args(["-m", "venv"]).arg(&folder).output().context("python3")?;
        anyhow::ensure!(made.status.success(), "python3 -m venv: {}", String::from_utf8_lossy(&made.stdout));
    }
    let has = || Command::new(&python).args(["-c", "import paho.mqtt"]).output();
    if !has()?.status.success() {
        let pip = Command::new(&python).args(["-m", "pip", "install", "-q", "paho-mqtt==2.1.0"]).output()?;
        anyhow::ensure!(pip.status.success(), "pip: {}", String::from_utf8_lossy(&pip.stderr));
    }
    Ok(python)
}
