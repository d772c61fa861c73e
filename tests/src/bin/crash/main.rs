//! Kill -9 under load, again and again, and then the journal: sound, nothing lost that was answered as stored, no
//! decision twice, no job twice or never on record, and nothing switched by coming back. And what is remembered of one
//! input, beyond its bound.

mod bound;
mod jobs;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
use bytes::Bytes;
use clap::Parser;
use idlegate_demo::workshop::Chance;
use idlegate_guard::time::Span;
use idlegate_journal::{
    Change, FileBackend, Journal, JournalReader, Limits, Pace, Query, Record, RecordKind, nobody_listens,
};
use idlegate_os::Clock;
use idlegate_plan::event::Name;
use idlegate_service::JOURNAL_FILE;
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::form::Form;
use idlegate_tests::process::Process;
use idlegate_tests::shop::write_rules;
use jobs::{Lathe, OnRecord};
use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};
use serde_json::{Value as Json, json};

/// Of each input its own.
const ANSWERS: &str = "idlegate/answer/+/crash";
/// Requests in one life: so many of an input are remembered, however fast the computer is. `bound` goes beyond.
const ASKED_MAX: usize = 4_096;
/// Nobody asks for anything for so long after a start: whatever is switched then was switched by starting.
const QUIET: Duration = Duration::from_millis(150);
/// Of each kind of request an input is heard 40 times at once, and 20 times a second: after so many of all kinds, by
/// chance, they go no faster.
const AT_ONCE: usize = 120;
const THEN_EACH: Duration = Duration::from_millis(11);

/// Kill -9 under load, again and again, and then the journal
#[derive(Parser)]
struct Args {
    /// So many times [default: 300, in short form 15]
    #[arg(long, value_name = "N")]
    kills: Option<u32>,
    /// Of the moments and the requests
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    #[command(flatten)]
    form: Form,
}

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<ExitCode> {
    let Args { kills, seed, form } = Args::parse();
    let kills = kills.unwrap_or(form.either(15, 300));
    let dir = tempfile::tempdir()?;
    let broker = Mosquitto::start()?;
    let mut shop = Shop::begin(dir.path(), broker.port(), seed).await?;
    for kill in 0..kills {
        shop.round(false).await.with_context(|| format!("at kill {kill}, seed {seed}"))?;
    }
    let doubled = shop.doubled()?;
    let on_record = shop.jobs_on_record().await?;
    let noticed = shop.notices_a_lost_journal().await?;
    let beyond = bound::beyond_the_bound(seed).await?;
    shop.faults.extend(beyond.faults);
    let speed = speed(form.either(5_000, 20_000)).await?;
    let faults = &shop.faults;
    let holds = faults.is_empty() && doubled == 0 && noticed;
    for fault in faults {
        println!("BROKEN: {fault}");
    }
    println!(
        "journal: {:.0} decisions/s each waited for, {:.0} records/s in groups, {:.0} bytes on disk for each decision",
        speed.durable_per_sec, speed.grouped_per_sec, speed.bytes_per_decision
    );
    println!(
        "crash: {}: killed {} times under load; {} requests, {} of them answered, {} as stored; {} faults, {doubled} decisions twice; \
         {} jobs, {} of them under way at a kill, each on record once; \
         a journal taken away on purpose is {}; of {} requests of one input in one life {} of {} asked about \
         are known after kill -9, and {} of another; back on line after {:.0} ms (median)",
        if holds { "ok" } else { "BROKEN" },
        kills,
        shop.asked,
        shop.answered,
        shop.stored,
        faults.len(),
        on_record.jobs,
        on_record.under_way_at_a_kill,
        if noticed { "noticed" } else { "NOT NOTICED" },
        beyond.answered,
        beyond.known,
        beyond.asked_about,
        beyond.of_the_other,
        median(&mut shop.starts).as_secs_f64() * 1_000.0
    );
    form.write(&json!({
        "kills": kills, "asked": shop.asked, "answered": shop.answered, "stored": shop.stored,
        "faults": shop.faults, "doubled": doubled, "jobs": on_record.jobs,
        "jobs_under_way_at_a_kill": on_record.under_way_at_a_kill, "beyond_the_bound": beyond.answered, "asked_about": beyond.asked_about,
        "known_of_them": beyond.known,
        "known_of_another": beyond.of_the_other, "durable_per_sec": speed.durable_per_sec,
        "grouped_per_sec": speed.grouped_per_sec, "bytes_per_decision": speed.bytes_per_decision,
    }))?;
    Ok(if holds { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}

/// Twenty requests a second by one console would else be one gesture.
fn every_gesture_counts(rules: &Path) -> Result<()> {
    let file = rules.join("shop.toml");
    let text = std::fs::read_to_string(&file)?.replace("[guard]\n", "[guard]\nrepeat_guard = \"0s\"\n");
    Ok(std::fs::write(file, text)?)
}

/// Beside the console.
fn another_input(rules: &Path) -> Result<()> {
    let file = rules.join("inputs.toml");
    let text = std::fs::read_to_string(&file)?;
    let panel = "[inputs.panel]\nmachines = \"all\"\nmay_lock = true\nmay_unlock = true\n";
    Ok(std::fs::write(file, text + panel)?)
}

/// What must survive: whether the mill is locked, and whether an off of it waits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
struct Kept {
    locked: bool,
    deferred: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ask {
    Lock,
    Unlock,
    OffOnceIdle,
    Cancel,
    Off,
    On,
}

impl Ask {
    const ALL: [Ask; 5] = [Ask::Lock, Ask::Unlock, Ask::OffOnceIdle, Ask::Cancel, Ask::Off];

    fn word(self) -> &'static str {
        match self {
            Ask::Lock => "lock",
            Ask::Unlock => "unlock",
            Ask::OffOnceIdle => "off-once-idle",
            Ask::Cancel => "cancel",
            Ask::Off => "off",
            Ask::On => "on",
        }
    }

    fn applied(self, kept: Kept) -> Kept {
        match self {
            Ask::Lock => Kept { locked: true, ..kept },
            Ask::Unlock => Kept { locked: false, ..kept },
            Ask::OffOnceIdle => Kept { deferred: true, ..kept },
            Ask::Cancel => Kept { deferred: false, ..kept },
            // The mill works all the time, so it is held.
            Ask::Off => kept,
            // It is on already. Under a lockout it is refused; else nothing waits any more.
            Ask::On => Kept { deferred: kept.deferred && kept.locked, ..kept },
        }
    }
}

struct Asked {
    id: String,
    what: Ask,
    answer: Option<Json>,
}

struct Shop {
    client: Client,
    rules: PathBuf,
    state: PathBuf,
    dice: Chance,
    kept: Kept,
    /// Of the round before, answered as stored.
    settled: Vec<Asked>,
    asked: u64,
    answered: u64,
    stored: u64,
    starts: Vec<Duration>,
    faults: Vec<String>,
    lathe: Lathe,
}

impl Shop {
    async fn begin(dir: &Path, port: u16, seed: u64) -> Result<Shop> {
        let (rules, state) = (dir.join("rules"), dir.join("state"));
        write_rules(&rules, port)?;
        every_gesture_counts(&rules)?;
        another_input(&rules)?;
        jobs::write(&rules)?;
        let mut client = Client::connect(port).await?;
        for filter in ["outlets/mill/order", "idlegate/health", ANSWERS] {
            client.subscribe(filter).await?;
        }
        client.publish_retained("outlets/mill/says", "on".to_owned()).await?;
        let (kept, settled, starts, faults) = (Kept::default(), Vec::new(), Vec::new(), Vec::new());
        let dice = Chance::new(seed);
        Ok(Shop {
            client,
            rules,
            state,
            dice,
            kept,
            settled,
            asked: 0,
            answered: 0,
            stored: 0,
            starts,
            faults,
            lathe: Lathe::default(),
        })
    }

    /// One life of the guard, from its start to its end by kill -9, and what it left behind.
    async fn round(&mut self, lose_journal: bool) -> Result<()> {
        let begun = Instant::now();
        let guard = Process::start(&self.rules, &self.state)?;
        self.until_online().await?;
        self.starts.push(begun.elapsed());
        self.stay_quiet().await?;
        let mut asked = self.ask_again().await?;
        let lives = Duration::from_millis(20 + self.roll(400));
        asked.extend(self.load(lives).await?);
        // By kill -9.
        drop(guard);
        // What the broker had taken from it is still on its way to us.
        let until = Instant::now() + Duration::from_millis(60);
        while let Some(message) = self.hear(until).await? {
            note(&mut asked, &message);
        }
        if lose_journal {
            // As a disk would that never wrote what it said it had.
            std::fs::remove_dir_all(&self.state)?;
            std::fs::create_dir(&self.state)?;
            open_journal(&self.state.join(JOURNAL_FILE)).close(Span::secs(5));
        }
        self.look_at_journal(&asked)?;
        self.count(asked);
        Ok(())
    }

    /// Shows that a loss would be seen: after a round in which something was to be kept, the journal is taken away.
    async fn notices_a_lost_journal(&mut self) -> Result<bool> {
        let before = self.faults.len();
        for _ in 0..20 {
            self.round(true).await?;
            if self.faults.len() > before {
                self.faults.truncate(before);
                return Ok(true);
            }
        }
        Ok(false)
    }

    async fn until_online(&mut self) -> Result<()> {
        let until = Instant::now() + DEADLINE;
        // The last will of the one before comes first.
        while let Some(message) = self.hear(until).await? {
            let guarding = message.topic == "idlegate/health"
                && serde_json::from_slice::<Json>(&message.payload)?["guard"] == "guarding";
            if guarding {
                return Ok(());
            }
            self.refuse_order(&message);
        }
        bail!("the guard does not come up")
    }

    async fn stay_quiet(&mut self) -> Result<()> {
        self.client.publish("meters/mill", "800").await?;
        let until = Instant::now() + QUIET;
        while let Some(message) = self.hear(until).await? {
            self.refuse_order(&message);
        }
        Ok(())
    }

    fn refuse_order(&mut self, message: &Publish) {
        if message.topic == "outlets/mill/order" {
            self.faults.push(format!("switched {:?} by starting", message.payload));
        }
    }

    /// Events that were answered as stored are made again, as senders do that saw no answer: none may count twice.
    async fn ask_again(&mut self) -> Result<Vec<Asked>> {
        let mut again: Vec<Asked> = std::mem::take(&mut self.settled);
        again.truncate(3);
        for asked in &mut again {
            asked.answer = None;
        }
        for asked in &again {
            self.send("console", asked).await?;
        }
        let until = Instant::now() + DEADLINE;
        while again.iter().any(|asked| asked.answer.is_none()) {
            let Some(message) = self.hear(until).await? else { bail!("a repeated event is not answered") };
            note(&mut again, &message);
        }
        for asked in &again {
            if let Some(answer) = asked.answer.as_ref().filter(|answer| answer["reason"] != "duplicate") {
                self.faults.push(format!("{} was answered again after the crash: {answer}", asked.id));
            }
        }
        Ok(Vec::new())
    }

    /// Requests as fast as they go, readings in between.
    async fn load(&mut self, lives: Duration) -> Result<Vec<Asked>> {
        let until = Instant::now() + lives;
        let mut asked = Vec::new();
        while Instant::now() < until && asked.len() < ASKED_MAX {
            for _ in 0..3 {
                self.client.publish_at_most_once("meters/mill", format!("{}", 700 + self.asked % 90)).await?;
            }
            if self.roll(8) == 0 {
                self.lathe.turn(&mut self.client, &mut self.dice).await?;
            }
            self.asked += 1;
            let what = Ask::ALL[usize::try_from(self.roll(5)).unwrap_or(0)];
            let one = Asked { id: format!("event-{}", self.asked), what, answer: None };
            self.send("console", &one).await?;
            asked.push(one);
            if asked.len() > AT_ONCE {
                tokio::time::sleep(THEN_EACH).await;
            }
            while let Some(message) = self.client.try_message() {
                note(&mut asked, &message);
            }
        }
        Ok(asked)
    }

    async fn send(&mut self, input: &str, asked: &Asked) -> Result<()> {
        let properties = PublishProperties {
            response_topic: Some(ANSWERS.replace('+', input)),
            correlation_data: Some(Bytes::from(asked.id.clone())),
            ..PublishProperties::default()
        };
        let body = json!({ "machine": "mill", "request": asked.what.word(), "id": asked.id }).to_string();
        self.client.publish_with(&format!("idlegate/request/{input}"), &body, properties).await
    }

    async fn hear(&mut self, until: Instant) -> Result<Option<Publish>> {
        let left = until.saturating_duration_since(Instant::now());
        match tokio::time::timeout(left, self.client.message()).await {
            Ok(message) => Ok(Some(message?)),
            Err(_) => Ok(None),
        }
    }

    /// Sound, and holding one of the states that what was answered leaves possible.
    fn look_at_journal(&mut self, asked: &[Asked]) -> Result<()> {
        let mut reader = JournalReader::open(&self.state.join(JOURNAL_FILE))?;
        if let Err(error) = reader.verify() {
            self.faults.push(format!("the journal is not sound: {error}"));
        }
        self.lathe.look_after_a_kill(&mut reader);
        let restored = reader.restored(Clock.now());
        let mill = restored.kept.iter().find(|(machine, _)| machine.as_str() == "mill").map(|(_, kept)| kept);
        let found = Kept {
            locked: mill.is_some_and(|kept| kept.is_locked()),
            deferred: mill.is_some_and(|kept| kept.deferral.is_some()),
        };
        let mut possible = BTreeSet::from([self.kept]);
        for one in asked {
            let applied: BTreeSet<Kept> = possible.iter().map(|kept| one.what.applied(*kept)).collect();
            match one.answer.as_ref().map(|answer| (answer["stored"] == true, &answer["decision"])) {
                Some((true, _)) => possible = applied,
                // Answered, and not a change.
                Some((false, decision)) if decision != "acted" && decision != "deferred" => {}
                Some((false, _)) | None => possible.extend(applied),
            }
        }
        if !possible.contains(&found) {
            self.faults.push(format!("kept {found:?}, and what was answered leaves only {possible:?}"));
        }
        self.kept = found;
        Ok(())
    }

    fn count(&mut self, asked: Vec<Asked>) {
        self.answered += asked.iter().filter(|one| one.answer.is_some()).count() as u64;
        self.settled = asked
            .into_iter()
            .filter(|one| one.answer.as_ref().is_some_and(|answer| answer["stored"] == true))
            .collect();
        self.stored += self.settled.len() as u64;
    }

    /// One more life, in which the last job ends.
    async fn jobs_on_record(&mut self) -> Result<OnRecord> {
        let guard = Process::start(&self.rules, &self.state)?;
        self.until_online().await?;
        let on_record = self.lathe.close(&mut self.client, &self.state.join(JOURNAL_FILE)).await?;
        drop(guard);
        self.faults.extend(on_record.faults.iter().cloned());
        Ok(on_record)
    }

    /// How many events have more than one decision of their own in the journal.
    fn doubled(&self) -> Result<usize> {
        let reader = JournalReader::open(&self.state.join(JOURNAL_FILE))?;
        let mut decisions: BTreeMap<String, usize> = BTreeMap::new();
        let query = Query { kinds: vec![RecordKind::Decision], ..Query::default() };
        for record in reader.records(&query) {
            let body = record?.body();
            if body["reason"] != "duplicate"
                && let Some(id) = body["id"].as_str()
            {
                *decisions.entry(id.to_owned()).or_default() += 1;
            }
        }
        Ok(decisions.values().filter(|count| **count > 1).count())
    }

    /// A seed tells the whole story but for the computer's own pace.
    fn roll(&mut self, sides: u64) -> u64 {
        self.dice.number() % sides
    }
}

fn note(asked: &mut [Asked], message: &Publish) {
    if !is_answer(message) {
        return;
    }
    let correlation =
        message.properties.as_ref().and_then(|properties| properties.correlation_data.as_deref());
    let one = asked.iter_mut().find(|one| correlation == Some(one.id.as_bytes()));
    if let (Some(one), Ok(answer)) = (one, serde_json::from_slice(&message.payload)) {
        one.answer = Some(answer);
    }
}

fn open_journal(file: &Path) -> Journal {
    let shelf = FileBackend::new(file.to_path_buf(), Limits::default());
    Journal::start(Box::new(shelf), Pace::default(), nobody_listens()).0
}

struct Speed {
    durable_per_sec: f64,
    grouped_per_sec: f64,
    bytes_per_decision: f64,
}

/// The journal alone: decisions of the usual size, each waited for, and in groups.
async fn speed(appends: u32) -> Result<Speed> {
    let dir = tempfile::tempdir()?;
    let file = dir.path().join(JOURNAL_FILE);
    let reading = json!({ "signal": "power", "value": 118.2, "unit": "W", "age_s": 0.8 });
    let body = json!({
        "input": "bench-button", "gesture": "press", "request": "off", "decision": "held", "reason": "machine-busy",
        "sentence": "Filament printer stays on: 118 W, busy above 40 W.", "state": "busy", "outlet": "on",
        "detectors": [{ "detector": "power-threshold", "state": "busy", "reason": "118 W, busy above 40 W", "role": "hold", "readings": [reading] }],
        "rules": "0".repeat(64),
    });
    let machine = Name::new("filament-printer")?;
    let record = || Record::new(RecordKind::Decision, Clock.now(), body.clone()).of(machine.clone());
    let journal = open_journal(&file);
    let durable = appends / 20;
    let begun = Instant::now();
    for _ in 0..durable {
        journal.append_durably(Change::default().recording(record().at_once())).settled().await;
    }
    let durable_secs = begun.elapsed().as_secs_f64();
    let begun = Instant::now();
    for number in 0..appends {
        journal.append(record());
        // The queue is bounded; whoever fills it faster than the disk empties it loses the oldest.
        if number.is_multiple_of(1_000) {
            journal.append_durably(Change::default().recording(record().at_once())).settled().await;
        }
    }
    if !journal.close(Span::secs(60)) {
        bail!("the disk did not take the records in a minute");
    }
    let grouped_secs = begun.elapsed().as_secs_f64();
    let rows = f64::from(appends + durable + appends.div_ceil(1_000));
    #[expect(clippy::cast_precision_loss, reason = "a file of some megabytes")]
    let bytes = std::fs::metadata(&file)?.len() as f64;
    Ok(Speed {
        durable_per_sec: f64::from(durable) / durable_secs,
        grouped_per_sec: f64::from(appends) / grouped_secs,
        bytes_per_decision: bytes / rows,
    })
}

fn median(times: &mut [Duration]) -> Duration {
    times.sort_unstable();
    times.get(times.len() / 2).copied().unwrap_or_default()
}

fn is_answer(message: &Publish) -> bool {
    let topic = String::from_utf8_lossy(&message.topic);
    ["console", "panel"].iter().any(|input| topic == ANSWERS.replace('+', input))
}
