//! Rules that change again and again under load: every request is answered once, nothing is switched, the last state on
//! disk is in force, memory stays flat.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
use bytes::Bytes;
use clap::Parser;
use hdrhistogram::Histogram;
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::drills;
use idlegate_tests::form::Form;
use idlegate_tests::judge::Tally;
use idlegate_tests::judge::watch::Watch;
use idlegate_tests::proxy::Proxy;
use idlegate_tests::shop::{Guard, write_rules};
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};
use tokio::sync::watch;
use tokio::time::{MissedTickBehavior, interval, timeout};

/// Messages a second, of which every twenty-fifth is a request.
const MESSAGES_PER_SEC: u64 = 500;
const REQUEST_EVERY: u64 = 25;
/// Every so many changes the rules are broken, and mended by the next.
const BROKEN_EVERY: u32 = 5;
/// Every so many changes are three saves at once, of which the last counts.
const BURST_EVERY: u32 = 7;
/// Memory may grow by so much between the first quarter and the end.
const GROWTH_BYTES_MAX: i64 = 8 * 1024 * 1024;
/// It may take so many times longer than asked for until there was enough to judge.
const LONGER_MAX: u32 = 10;
const ANSWERS: &str = "idlegate/answer/console/storm";

/// Rules that change again and again under load
#[derive(Parser)]
struct Args {
    /// So many changes of the rules [default: 1000, in short form 40]
    #[arg(long, value_name = "N")]
    reloads: Option<u32>,
    #[command(flatten)]
    form: Form,
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> Result<()> {
    let Args { reloads, form } = Args::parse();
    let reloads = reloads.unwrap_or(form.either(40, 1_000));
    let dir = tempfile::tempdir()?;
    let broker = Mosquitto::start()?;
    let watch = drills::watch();
    let proxy = Proxy::start_with(broker.port(), watch.tap(), None).await?;
    write_rules(dir.path(), proxy.port())?;
    drills::write_rules(dir.path())?;
    let guard = Guard::following(dir.path())?;

    let mut listener = Client::connect(broker.port()).await?;
    listener.subscribe("outlets/mill/order").await?;
    listener.subscribe("idlegate/#").await?;
    let mut heard = Heard::default();
    heard.until(&mut listener, |heard| heard.guarding).await.context("the guard does not come up")?;
    let mut mill = Client::connect(broker.port()).await?;
    mill.publish_retained("outlets/mill/says", "on".to_owned()).await?;

    let (stop, stopped) = watch::channel(false);
    let drilling = tokio::spawn(drills::run(broker.port(), watch.clone(), stopped.clone()));
    let load = tokio::spawn(load(mill, stopped));
    let storm = storm(reloads, dir.path(), &mut listener, &mut heard, &watch).await?;
    stop.send(true)?;
    let asked = load.await??;
    drilling.await??;
    heard
        .until(&mut listener, |heard| heard.answers.len() as u64 >= asked)
        .await
        .context("answers are missing")?;
    // Whatever is doubled would come now.
    heard.listen_for(&mut listener, Duration::from_millis(500)).await?;
    guard.stop().await?;
    let judged = watch.close().map_err(anyhow::Error::msg)?;
    drop(proxy);
    let planted = drills::plant(broker.port()).await?;
    conclude(&form, &storm, &heard, asked, &judged, &planted)
}

/// Readings of a working mill, and requests that it be switched off, all of which must be answered and none obeyed.
async fn load(mut client: Client, stopped: watch::Receiver<bool>) -> Result<u64> {
    let mut tick = interval(Duration::from_micros(1_000_000 / MESSAGES_PER_SEC));
    tick.set_missed_tick_behavior(MissedTickBehavior::Burst);
    let mut asked = 0;
    for number in 1_u64.. {
        tick.tick().await;
        if *stopped.borrow() {
            break;
        }
        if !number.is_multiple_of(REQUEST_EVERY) {
            client.publish_at_most_once("meters/mill", format!("{}", 400 + number % 100)).await?;
            continue;
        }
        asked += 1;
        let properties = PublishProperties {
            response_topic: Some(ANSWERS.to_owned()),
            correlation_data: Some(Bytes::from(asked.to_string())),
            ..PublishProperties::default()
        };
        let body = json!({ "machine": "mill", "request": "off", "id": format!("storm-{asked}") }).to_string();
        client.publish_with("idlegate/request/console", &body, properties).await?;
    }
    Ok(asked)
}

#[derive(Default)]
struct Heard {
    guarding: bool,
    /// How often each request was answered.
    answers: BTreeMap<String, u32>,
    orders: u64,
    /// The outcome told last, and how many were.
    outcome: Json,
    outcomes: u64,
    title: String,
}

impl Heard {
    fn take(&mut self, message: &rumqttc::v5::mqttbytes::v5::Publish) -> Result<()> {
        match &*message.topic {
            b"outlets/mill/order" => self.orders += 1,
            b"idlegate/health" => {
                let health: Json = serde_json::from_slice(&message.payload)?;
                self.guarding = health["guard"] == "guarding";
                if health["reload"] != self.outcome && !health["reload"].is_null() {
                    self.outcome = health["reload"].clone();
                    self.outcomes += 1;
                }
            }
            b"idlegate/machine/mill" => {
                let status: Json = serde_json::from_slice(&message.payload)?;
                status["title"].as_str().unwrap_or_default().clone_into(&mut self.title);
            }
            topic if topic == ANSWERS.as_bytes() => {
                let correlation = message.properties.as_ref().and_then(|it| it.correlation_data.clone());
                let correlation = String::from_utf8_lossy(&correlation.unwrap_or_default()).into_owned();
                *self.answers.entry(correlation).or_default() += 1;
            }
            _ => {}
        }
        Ok(())
    }

    async fn until(&mut self, client: &mut Client, done: impl Fn(&Heard) -> bool) -> Result<()> {
        let begun = Instant::now();
        while !done(self) {
            let left = DEADLINE.checked_sub(begun.elapsed()).context("waited in vain")?;
            let message = timeout(left, client.message()).await.context("waited in vain")??;
            self.take(&message)?;
        }
        Ok(())
    }

    async fn listen_for(&mut self, client: &mut Client, time: Duration) -> Result<()> {
        let end = Instant::now() + time;
        while let Some(left) = end.checked_duration_since(Instant::now()) {
            match timeout(left, client.message()).await {
                Ok(message) => self.take(&message?)?,
                Err(_) => break,
            }
        }
        Ok(())
    }
}

struct Storm {
    /// From the last write to the outcome, in milliseconds.
    took: Histogram<u64>,
    broken: u32,
    rss_early: i64,
    rss_late: i64,
    wrong: Vec<String>,
}

async fn storm(
    reloads: u32,
    dir: &Path,
    client: &mut Client,
    heard: &mut Heard,
    watch: &Watch,
) -> Result<Storm> {
    let path = dir.join("machines/mill.toml");
    let original = fs::read_to_string(&path)?;
    let mut storm =
        Storm { took: Histogram::new(3)?, broken: 0, rss_early: rss()?, rss_late: 0, wrong: Vec::new() };
    for round in 1..=reloads * LONGER_MAX {
        // A quick computer is through before there was anything to judge.
        if round > reloads && watch.plain_offs() >= drills::LIMITS.plain_min {
            break;
        }
        let broken = round.is_multiple_of(BROKEN_EVERY);
        let title = format!("Mill {round}");
        let text = original.replace("title = \"Mill\"", &format!("title = \"{title}\""));
        let text = if broken { text.replace("busy_watts", "busy_abowe") } else { text };
        if round.is_multiple_of(BURST_EVERY) {
            for hasty in ["", "title = \"Half"] {
                fs::write(&path, hasty)?;
            }
        }
        let beside = path.with_extension("toml~");
        fs::write(&beside, &text)?;
        fs::rename(&beside, &path)?;
        let written = Instant::now();
        let wanted = if broken { "kept-old" } else { "applied" };
        let before = heard.outcomes;
        // A burst may be seen half-way, too; what counts is how it ends.
        let ends = |heard: &Heard| heard.outcomes > before && heard.outcome["outcome"] == wanted;
        if heard.until(client, ends).await.is_err() {
            storm.wrong.push(format!("change {round}: not {wanted}, but {}", heard.outcome));
            break;
        }
        storm.took.record(u64::try_from(written.elapsed().as_millis())?)?;
        storm.broken += u32::from(broken);
        if !broken && heard.until(client, |heard| heard.title == title).await.is_err() {
            storm.wrong.push(format!("change {round}: the status still says {:?}", heard.title));
            break;
        }
        if round == reloads.div_ceil(4) {
            storm.rss_early = rss()?;
        }
    }
    storm.rss_late = rss()?;
    Ok(storm)
}

/// What this process holds in memory, guard and all.
fn rss() -> Result<i64> {
    let status = fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).context("no VmRSS")?;
    let kilobytes: i64 = line.trim().trim_end_matches(" kB").trim().parse()?;
    Ok(kilobytes * 1024)
}

fn conclude(
    form: &Form,
    storm: &Storm,
    heard: &Heard,
    asked: u64,
    judged: &Tally,
    planted: &[drills::Found],
) -> Result<()> {
    let twice = heard.answers.values().filter(|count| **count != 1).count();
    let lost = asked.saturating_sub(heard.answers.len() as u64);
    let grown = storm.rss_late - storm.rss_early;
    let took = |part: f64| storm.took.value_at_quantile(part);
    println!(
        "{} changes, {} of them broken, under {MESSAGES_PER_SEC} messages/s; {asked} requests",
        storm.took.len(),
        storm.broken
    );
    println!(
        "from the last write to its outcome: p50 {} ms, p90 {} ms, p99 {} ms, longest {} ms",
        took(0.5),
        took(0.9),
        took(0.99),
        storm.took.max()
    );
    println!(
        "memory {:.1} MiB after a quarter, {:.1} MiB at the end",
        mebibytes(storm.rss_early),
        mebibytes(storm.rss_late)
    );
    judged.lines().iter().for_each(|line| println!("{line}"));
    let found = planted.iter().filter(|(_, finding)| finding.is_some()).count();
    println!("judge: planted {}, found {found}", planted.len());
    form.write(&json!({
        "judged": judged.json(), "planted": planted.len(), "found": found,
        "reloads": storm.took.len(), "broken": storm.broken, "requests": asked, "lost": lost, "doubled": twice,
        "orders": heard.orders, "p50_ms": took(0.5), "p90_ms": took(0.9), "p99_ms": took(0.99),
        "max_ms": storm.took.max(), "rss_early": storm.rss_early, "rss_late": storm.rss_late,
    }))?;
    let mut wrong = storm.wrong.clone();
    let claims = [
        (lost > 0, format!("{lost} requests were not answered")),
        (twice > 0, format!("{twice} requests were answered more than once")),
        (heard.orders > 0, format!("{} orders were sent to a working mill", heard.orders)),
        (found < planted.len(), "the judge did not find every planted mistake".to_owned()),
        (grown > GROWTH_BYTES_MAX, format!("memory grew by {:.1} MiB", mebibytes(grown))),
    ];
    wrong.extend(judged.complaints(&drills::LIMITS));
    wrong.extend(claims.into_iter().filter(|(is_so, _)| *is_so).map(|(_, what)| what));
    if wrong.is_empty() {
        println!("reload-storm: nothing lost, nothing doubled, nothing switched");
        return Ok(());
    }
    bail!("reload-storm: {}", wrong.join("; "))
}

fn mebibytes(bytes: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "for people")]
    let bytes = bytes as f64;
    bytes / 1_048_576.0
}
