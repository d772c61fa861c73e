//! From a press to the order, through Mosquitto: the guard as a process of its own, beside a bare client that bounces a
//! message over the same two hops, which is the least that is possible, and beside a script in Python as somebody would
//! write it who wants no more than the plain rule.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use rumqttc::v5::mqttbytes::v5::Publish;
use tokio::time::{interval, sleep, timeout};

use super::Size;
use super::table::{Table, quantiles};

/// The word by which this program is a bouncer.
pub(crate) const BOUNCE: &str = "bounce";
/// Until everybody has seen that the mill is on.
const PAUSE: Duration = Duration::from_millis(55);
const LOAD_PER_SEC: u64 = 1_000;
/// The detector must not see a gap as long as its dwell.
const QUIET_PER_SEC: u64 = 20;

/// Whoever turns a message on one topic into one on another.
struct Rival {
    name: &'static str,
    sent: &'static str,
    answered: &'static str,
    samples: Vec<Duration>,
}

pub(crate) async fn measure(size: Size, loaded: bool) -> Result<Table> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    rules(dir.path(), broker.port())?;
    let guard = Process::start(dir.path(), &dir.path().join("state"))?;
    let mut client = Client::connect(broker.port()).await?;
    for topic in [
        "outlets/mill/order",
        "bench/bounced",
        "bench/confirmed-bounced",
        "bench/script/order",
        "idlegate/health",
    ] {
        client.subscribe(topic).await?;
    }
    heard(&mut client, "idlegate/health").await?;
    let bouncing = [
        bouncer(broker.port(), "bench/bounce", "bench/bounced", false)?,
        bouncer(broker.port(), "bench/confirmed-bounce", "bench/confirmed-bounced", true)?,
    ];
    let script = Script::start(broker.port());
    let load = tokio::spawn(meter(broker.port(), if loaded { LOAD_PER_SEC } else { QUIET_PER_SEC }));
    let rival = |name, sent, answered| Rival { name, sent, answered, samples: Vec::new() };
    let mut rivals = vec![
        rival("bare bounce", "bench/bounce", "bench/bounced"),
        // As an order has to be.
        rival("bare bounce, confirmed", "bench/confirmed-bounce", "bench/confirmed-bounced"),
    ];
    match &script {
        Ok(_) => rivals.push(rival("Python script", "bench/script/button", "bench/script/order")),
        Err(why) => println!("the Python script is not measured: {why:#}"),
    }
    // Last in each round: it is obeyed, and the mill is off.
    rivals.push(rival("guard", "buttons/mill", "outlets/mill/order"));
    // The script has to be there before it is asked, and the detector must have seen enough quiet.
    sleep(Duration::from_secs(2)).await;
    for _ in 0..size.presses {
        client.publish("outlets/mill/says", "on").await?;
        for rival in &mut rivals {
            // The same for everybody: whoever comes first finds everything asleep.
            sleep(PAUSE).await;
            let begin = Instant::now();
            client.publish_at_most_once(rival.sent, "press").await?;
            heard(&mut client, rival.answered).await.with_context(|| rival.name)?;
            rival.samples.push(begin.elapsed());
        }
        client.publish("outlets/mill/says", "off").await?;
    }
    load.abort();
    drop((guard, script, bouncing));
    let what = if loaded {
        format!("press to order, µs, {LOAD_PER_SEC} readings/s")
    } else {
        "press to order, µs".to_owned()
    };
    let mut table = Table::new(what, &["p50", "p99", "p99.9"]);
    for rival in &mut rivals {
        table.row(rival.name, &quantiles(&mut rival.samples));
    }
    let guard = rivals.len() - 1;
    for (other, rival) in rivals[..guard].iter().enumerate() {
        table.ratio(format!("guard by {}", rival.name), guard, other);
    }
    Ok(table)
}

pub(crate) async fn heard(client: &mut Client, topic: &str) -> Result<Publish> {
    loop {
        let message = client.message().await?;
        if message.topic == topic {
            return Ok(message);
        }
    }
}

/// A process of its own, as the guard is one: [`bounce`].
fn bouncer(port: u16, from: &str, to: &str, confirmed: bool) -> Result<Script> {
    let confirmed = if confirmed { "confirmed" } else { "not-confirmed" };
    let mut command = Command::new(std::env::current_exe()?);
    Script::of(command.args([BOUNCE, &port.to_string(), from, to, confirmed]))
}

/// What that process does: with one thread, as little as can be done to turn a message into another.
pub(crate) fn bounce(args: &[String]) -> Result<()> {
    let [port, from, to, confirmed] = args else { bail!("{BOUNCE} wants PORT FROM TO CONFIRMED") };
    let (port, confirmed) = (port.parse()?, confirmed == "confirmed");
    tokio::runtime::Builder::new_current_thread().enable_all().build()?.block_on(async {
        let mut client = Client::connect(port).await?;
        client.subscribe(from).await?;
        loop {
            // A pause of the bench is no end of the bounce.
            if let Ok(Ok(message)) = timeout(DEADLINE * 10, client.message()).await {
                if confirmed {
                    client.publish_and_go_on(to, message.payload).await?;
                } else {
                    client.publish_at_most_once(to, message.payload).await?;
                }
            } else if !client.is_connected() {
                return Ok(());
            }
        }
    })
}

/// An idle mill's meter.
pub(crate) async fn meter(port: u16, per_sec: u64) -> Result<()> {
    let mut client = Client::connect(port).await?;
    let mut beat = interval(Duration::from_secs(1) / 20);
    loop {
        beat.tick().await;
        for _ in 0..per_sec / 20 {
            client.publish_at_most_once("meters/mill", "12").await?;
        }
    }
}

/// The test shop, in which a press may follow another at once.
pub(crate) fn rules(dir: &Path, port: u16) -> Result<()> {
    idlegate_tests::shop::write_rules(dir, port)?;
    let file = dir.join("shop.toml");
    let shop = std::fs::read_to_string(&file)?;
    let quick = shop.replace("[guard]\n", "[guard]\nrepeat_guard = \"0s\"\n");
    anyhow::ensure!(quick != shop, "the test shop has no [guard]");
    Ok(std::fs::write(file, quick)?)
}

/// A rival in a process of its own, killed when dropped.
pub(crate) struct Script(Child);

impl Script {
    pub(crate) fn start(port: u16) -> Result<Script> {
        let mut command = Command::new(python()?);
        Script::of(command.args(["-c", include_str!("plain_rule.py"), &port.to_string()]))
    }

    fn of(command: &mut Command) -> Result<Script> {
        let mut child = command.stdin(Stdio::null()).spawn()?;
        std::thread::sleep(Duration::from_millis(500));
        if let Some(ended) = child.try_wait()? {
            bail!("it ended: {ended}");
        }
        Ok(Script(child))
    }
}

impl Script {
    pub(crate) fn start_at_new_broker() -> Result<(Mosquitto, Script)> {
        let broker = Mosquitto::start()?;
        let script = Script::start(broker.port())?;
        // It has to be subscribed before it is asked.
        std::thread::sleep(Duration::from_secs(2));
        Ok((broker, script))
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
