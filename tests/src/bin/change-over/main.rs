//! Two daemons at one broker, and whatever can happen to the one that guards, again and again, under requests: how long
//! nobody guards, and that no request is ever answered twice, no order sent that nobody asked for, and no working
//! machine cut. Then what becomes of a lockout (`lockouts`): when power takes both and the broker's store, when clocks
//! differ, between halls, and when a machine moves.

mod lockouts;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
use bytes::Bytes;
use clap::Parser;
use idlegate_tests::broker::{Mosquitto, MosquittoSettings, free_port};
use idlegate_tests::client::Client;
use idlegate_tests::drills;
use idlegate_tests::form::Form;
use idlegate_tests::judge::Tally;
use idlegate_tests::judge::watch::Watch;
use idlegate_tests::process::Process;
use idlegate_tests::proxy::Proxy;
use idlegate_tests::shop::write_rules;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value as Json, json};
use tempfile::TempDir;
use tokio::task::JoinHandle;
use tokio::time::{interval, sleep, timeout};

const NAMES: [&str; 2] = ["left", "right"];
const ANSWERS: &str = "idlegate/answer/console/change-over";
const PATIENCE: Duration = Duration::from_secs(60);
/// Until enough plain offs were judged, however slow the computer is.
const JUDGED_WITHIN: Duration = Duration::from_secs(240);
const ASK_EVERY: Duration = Duration::from_millis(50);

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Blow {
    /// As a crash or a power cut: the broker sees the connection end.
    Killed,
    /// As for an update.
    Terminated,
    /// As a computer that hangs: the broker has to notice by keep-alive. It thaws afterwards.
    Frozen,
}

impl Blow {
    fn word(self) -> &'static str {
        match self {
            Blow::Killed => "killed",
            Blow::Terminated => "ended for an update",
            Blow::Frozen => "frozen, and thawed later",
        }
    }
}

/// Two daemons, of which one guards, and whatever can happen to it
#[derive(Parser)]
struct Args {
    /// Of each kind of blow [default: 20; in short form 3, and 1 that waits for long]
    #[arg(long, value_name = "N")]
    rounds: Option<usize>,
    #[command(flatten)]
    form: Form,
}

impl Args {
    fn rounds(&self) -> [(Blow, usize); 3] {
        let rounds = |short| self.rounds.unwrap_or(self.form.either(short, 20));
        [(Blow::Killed, rounds(3)), (Blow::Terminated, rounds(3)), (Blow::Frozen, rounds(1))]
    }
}

struct Pair {
    rules: TempDir,
    states: [TempDir; 2],
    processes: [Option<Process>; 2],
}

impl Pair {
    fn run(&mut self, side: usize) -> Result<()> {
        let (rules, state) = (self.rules.path(), self.states[side].path());
        self.processes[side] = Some(Process::start_with(rules, state, &["--stand-by", NAMES[side]])?);
        Ok(())
    }

    fn side(&self, side: usize) -> Result<&Process> {
        self.processes[side].as_ref().context("it runs")
    }
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> Result<()> {
    let args = Args::parse();
    let broker = Mosquitto::start_on(free_port()?, &MosquittoSettings::default())?;
    let rules = tempfile::tempdir()?;
    let watch = drills::watch();
    let proxy = Proxy::start_with(broker.port(), watch.tap(), None).await?;
    write_rules(rules.path(), proxy.port())?;
    drills::write_rules(rules.path())?;
    let states = [tempfile::tempdir()?, tempfile::tempdir()?];
    let mut pair = Pair { rules, states, processes: [None, None] };
    let outcome = rounds(&args, &mut pair, broker.port(), &watch).await;
    if outcome.is_err() {
        for (name, process) in NAMES.iter().zip(&pair.processes) {
            let log = process.as_ref().map_or(Ok("it does not run".to_owned()), Process::log_end)?;
            println!("-- {name}\n{log}");
        }
    }
    let (mut gaps, orders, people) = outcome?;
    let judged = watch.close().map_err(anyhow::Error::msg)?;
    let kept = lockouts::stories(args.form.either(1, 5)).await?;
    conclude(&args.form, &mut gaps, orders, &people, &judged, &kept)
}

type Gaps = BTreeMap<Blow, Vec<Duration>>;

async fn rounds(args: &Args, pair: &mut Pair, port: u16, watch: &Watch) -> Result<(Gaps, u64, People)> {
    let mut watcher = Client::connect(port).await?;
    pair.run(0)?;
    pair.run(1)?;
    let stop = Arc::new(AtomicBool::new(false));
    let mill = tokio::spawn(mill(port, stop.clone()));
    let people = tokio::spawn(people(port, stop.clone()));
    let (stop_drills, stopped) = tokio::sync::watch::channel(false);
    let drilling = tokio::spawn(drills::run(port, watch.clone(), stopped));
    let mut gaps = Gaps::new();
    for (blow, rounds) in args.rounds() {
        for _ in 0..rounds {
            let guards = one_of_two(&mut watcher).await?;
            let begin = Instant::now();
            match blow {
                Blow::Killed => pair.processes[guards] = None,
                Blow::Terminated => pair.side(guards)?.signal("TERM")?,
                Blow::Frozen => pair.side(guards)?.signal("STOP")?,
            }
            guarded_by(&mut watcher, NAMES[1 - guards]).await?;
            gaps.entry(blow).or_default().push(begin.elapsed());
            match blow {
                Blow::Killed | Blow::Terminated => pair.run(guards)?,
                Blow::Frozen => pair.side(guards)?.signal("CONT")?,
            }
        }
    }
    let enough = Instant::now() + JUDGED_WITHIN;
    while watch.plain_offs() < drills::LIMITS.plain_min && Instant::now() < enough {
        sleep(Duration::from_millis(200)).await;
    }
    sleep(Duration::from_secs(2)).await;
    stop.store(true, Ordering::SeqCst);
    stop_drills.send(true)?;
    drilling.await??;
    Ok((gaps, mill.await??, people.await??))
}

/// Waits until one guards and the other stands by, for half a second at least, and says which guards. Of two that start
/// at the same moment on a slow computer, one may take over from the other.
async fn one_of_two(watcher: &mut Client) -> Result<usize> {
    for topic in ["idlegate/health", "idlegate/stand-by/+"] {
        // Anew each time: what is kept says what is so now.
        watcher.subscribe(topic).await?;
    }
    let mut guards = None;
    let mut stand_by = [false; 2];
    let settled = async {
        loop {
            let pair = guards.filter(|it: &usize| stand_by[1 - it]);
            let message = match (pair, timeout(Duration::from_millis(500), watcher.message()).await) {
                (Some(guards), Err(_)) => return anyhow::Ok(guards),
                (None, Err(_)) => continue,
                (_, Ok(message)) => message?,
            };
            let said: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
            if message.topic == "idlegate/health" {
                guards = NAMES.iter().position(|known| said["name"] == *known && said["guard"] == "guarding");
            }
            for (name, stands_by) in NAMES.iter().zip(&mut stand_by) {
                if message.topic == format!("idlegate/stand-by/{name}") {
                    *stands_by = said["role"] == "standing-by";
                }
            }
        }
    };
    timeout(PATIENCE, settled).await.context("there are never one that guards and one that stands by")?
}

/// Waits until this one says that it guards.
async fn guarded_by(watcher: &mut Client, name: &str) -> Result<()> {
    let heard = async {
        loop {
            let message = watcher.message().await?;
            let said: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
            if message.topic == "idlegate/health" && said["guard"] == "guarding" && said["name"] == name {
                return anyhow::Ok(());
            }
        }
    };
    timeout(PATIENCE, heard).await.with_context(|| format!("{name} does not take over"))?
}

/// A mill that works and is on all the time. Returns the orders that came for it, of which there should be none.
async fn mill(port: u16, stop: Arc<AtomicBool>) -> Result<u64> {
    let mut client = Client::connect(port).await?;
    client.subscribe("outlets/mill/order").await?;
    client.publish_retained("outlets/mill/says", "on").await?;
    let mut beat = interval(Duration::from_millis(20));
    let mut orders = 0;
    while !stop.load(Ordering::SeqCst) {
        beat.tick().await;
        client.publish_at_most_once("meters/mill", "450").await?;
        while client.try_message().is_some() {
            orders += 1;
        }
    }
    Ok(orders)
}

struct People {
    asked: u64,
    answered: u64,
    doubled: u64,
    /// From one answer to the next.
    longest: Duration,
    acted: u64,
    _asking: JoinHandle<Result<()>>,
}

/// Ask for an off, again and again, each time with an id of its own.
async fn people(port: u16, stop: Arc<AtomicBool>) -> Result<People> {
    let mut client = Client::connect(port).await?;
    client.subscribe(ANSWERS).await?;
    let mut asker = Client::connect(port).await?;
    let asked = Arc::new(std::sync::atomic::AtomicU64::new(0));
    let (counter, done) = (asked.clone(), stop.clone());
    let asking = tokio::spawn(async move {
        let mut beat = interval(ASK_EVERY);
        while !done.load(Ordering::SeqCst) {
            beat.tick().await;
            let number = counter.fetch_add(1, Ordering::SeqCst);
            let properties = PublishProperties {
                response_topic: Some(ANSWERS.to_owned()),
                correlation_data: Some(Bytes::from(number.to_string())),
                ..PublishProperties::default()
            };
            let body = json!({ "machine": "mill", "request": "off", "id": format!("ask-{number}") });
            asker.publish_with("idlegate/request/console", &body.to_string(), properties).await?;
        }
        Ok(())
    });
    let mut answers: BTreeMap<String, u64> = BTreeMap::new();
    let (mut acted, mut longest, mut last) = (0, Duration::ZERO, Instant::now());
    while !stop.load(Ordering::SeqCst) {
        let Ok(message) = timeout(Duration::from_millis(200), client.message()).await else { continue };
        let message = message?;
        longest = longest.max(last.elapsed());
        last = Instant::now();
        let correlation = message.properties.and_then(|it| it.correlation_data).unwrap_or_default();
        *answers.entry(String::from_utf8_lossy(&correlation).into_owned()).or_default() += 1;
        let answer: Json = serde_json::from_slice(&message.payload)?;
        acted += u64::from(answer["decision"] == "acted");
    }
    let doubled = answers.values().filter(|times| **times > 1).count() as u64;
    let asked = asked.load(Ordering::SeqCst);
    Ok(People { asked, answered: answers.len() as u64, doubled, longest, acted, _asking: asking })
}

fn conclude(
    form: &Form,
    gaps: &mut Gaps,
    orders: u64,
    people: &People,
    judged: &Tally,
    kept: &BTreeMap<&str, u64>,
) -> Result<()> {
    println!("{:<28} {:>6} {:>12} {:>12}", "whoever guards is", "times", "median, s", "longest, s");
    let mut figures = Vec::new();
    for (blow, gaps) in gaps {
        gaps.sort_unstable();
        let (median, longest) = (gaps[gaps.len() / 2].as_secs_f64(), gaps[gaps.len() - 1].as_secs_f64());
        println!("{:<28} {:>6} {median:>12.2} {longest:>12.2}", blow.word(), gaps.len());
        figures.push(
            json!({ "blow": blow.word(), "times": gaps.len(), "median_s": median, "longest_s": longest }),
        );
    }
    let People { asked, answered, doubled, longest, acted, .. } = people;
    println!(
        "{asked} requests, {answered} answered, {} while nobody guarded; {doubled} answered twice; {:.1} s between two answers \
         at the most; {orders} orders",
        asked.saturating_sub(*answered),
        longest.as_secs_f64()
    );
    judged.lines().iter().for_each(|line| println!("{line}"));
    for (story, rounds) in kept {
        println!("a lockout held, and went by an unlock alone: {story}, {rounds} times");
    }
    form.write(&json!({
        "judged": judged.json(), "lockouts": kept, "blows": figures, "asked": asked, "answered": answered, "doubled": doubled,
        "orders": orders,
        "longest_s": longest.as_secs_f64(),
    }))?;
    if *doubled > 0 || orders > 0 || *acted > 0 || *answered == 0 {
        bail!(
            "change-over: {doubled} answered twice, {orders} orders, {acted} acted on, {answered} answered"
        );
    }
    let complaints = judged.complaints(&drills::LIMITS);
    if !complaints.is_empty() {
        bail!("change-over: {}", complaints.join("; "));
    }
    println!("change-over: never two, nothing switched, and no lockout lost");
    Ok(())
}
