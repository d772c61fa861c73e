//! What a shop's people ask on the day after: why was it held, what followed, what did it do? Told from the journal
//! that a guard has written while it worked.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use anyhow::{Context as _, Result};
use idlegate_guard::time::WallTime;
use idlegate_history::account::{Which, episodes, words};
use idlegate_history::report::{Period, Terms, ledger};
use idlegate_journal::{JournalReader, Query, RecordKind};
use idlegate_plan::event::Name;
use idlegate_service::JOURNAL_FILE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::{Process, program};
use idlegate_tests::shop::{Guard, Mill, plan, write_rules};
use jiff::tz::TimeZone;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_held_and_forced_off_is_told_from_the_journal() -> Result<()> {
    let broker = Mosquitto::start()?;
    let state = tempfile::tempdir()?;
    let guard = Guard::start(plan(broker.port())?, Some(state.path().to_path_buf()))?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("800", "busy").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.decision().await?["decision"], "held");
    // A force sooner than a second after the press would belong to it.
    tokio::time::sleep(std::time::Duration::from_millis(1_200)).await;
    mill.client.publish("meters/mill", "800").await?;
    mill.gesture("long-press").await?;
    mill.order().await?;
    mill.outlet_is("off").await?;
    guard.stop().await?;

    let reader = JournalReader::open(&state.path().join(JOURNAL_FILE))?;
    let name = Name::new("mill")?;
    let told = episodes(&reader, Some(&name), Which::Last(2))?;
    let held = words(&told[0], &TimeZone::UTC);
    for part in [
        "button asked for off (press).",
        "The outlet was on, and the machine counted as busy.",
        "power-threshold said busy: 800 W, busy above 100 W",
        "power 800.0 W, read ",
        "Decision: held (machine-busy).",
        "button asked for force-off (long-press): acted (forced-in-window)",
        "the order off (forced) was sent",
        "the outlet reported off",
    ] {
        assert!(held.contains(part), "{part:?} is missing from:\n{held}");
    }

    let energy = Query { kinds: vec![RecordKind::Energy], ..Query::default() };
    assert!(reader.records(&energy).count() > 0, "what the mill drew is on record when the guard ends");
    let period = Period { from: WallTime(0), to: WallTime(i64::MAX / 2) };
    let sums =
        ledger(&reader, &Terms { period, machine: Some(name), tariff: None, titles: Default::default() })?;
    let sum = &sums.machines[0];
    assert_eq!((sum.held, sum.forced, sum.jobs.len()), (1, 1, 1));
    assert!(sum.joules > 0.0 && sum.working > idlegate_guard::time::Span::ZERO);
    Ok(())
}

/// The running program, until it is stopped as a service manager does.
struct Life<'a> {
    rules: &'a Path,
    state: &'a Path,
    process: Process,
    mill: Mill,
}

impl<'a> Life<'a> {
    async fn begin(rules: &'a Path, state: &'a Path, port: u16) -> Result<Life<'a>> {
        let process = Process::start(rules, state)?;
        let mut mill = Mill::meet(port).await?;
        mill.outlet_is("on").await?;
        Ok(Life { rules, state, process, mill })
    }

    fn end(mut self) -> Result<()> {
        self.process.signal("TERM")?;
        self.process.wait()?;
        Ok(())
    }

    async fn told(&self, command: &str) -> Result<String> {
        let mut tell = tokio::process::Command::new(program()?);
        tell.arg(command).arg("--rules").arg(self.rules).arg("mill");
        if command == "why" {
            tell.arg("--state-dir").arg(self.state);
        }
        let output = tell.output().await?;
        Ok(String::from_utf8(output.stdout)? + &String::from_utf8(output.stderr)?)
    }

    /// What is read from the journal, nobody waits for.
    async fn tells(&self, command: &str, words: &str) -> Result<()> {
        let mut told = String::new();
        let heard = async {
            while !told.contains(words) {
                told = self.told(command).await?;
            }
            anyhow::Ok(())
        };
        let in_time = tokio::time::timeout(idlegate_tests::DEADLINE, heard).await;
        in_time.with_context(|| format!("{words:?} is missing from:\n{told}"))?
    }
}

/// A meter that never pauses for so long that its silence would count, whatever else the computer does.
async fn meter(port: u16, watts: Arc<AtomicU32>) -> Result<()> {
    let mut client = Client::connect(port).await?;
    loop {
        client.publish("meters/mill", watts.load(Ordering::Relaxed).to_string()).await?;
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn how_silences_went_on_is_told_by_the_next_life_of_the_program() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
    write_rules(&rules, broker.port())?;
    let machine = rules.join("machines/mill.toml");
    std::fs::write(&machine, std::fs::read_to_string(&machine)?.replace("300 ms", "2 s"))?;
    let watts = Arc::new(AtomicU32::new(3));
    let metering = tokio::spawn(meter(broker.port(), watts.clone()));
    let draws = async |life: &mut Life<'_>, number: u32, means: &str| {
        watts.store(number, Ordering::Relaxed);
        life.mill.draws(&number.to_string(), means).await
    };
    let mut life = Life::begin(&rules, &state, broker.port()).await?;
    for (number, means) in [(455, "busy"), (3, "idle"), (455, "busy")] {
        draws(&mut life, number, means).await?;
    }
    life.end()?;

    let mut life = Life::begin(&rules, &state, broker.port()).await?;
    let once = "before this it was quiet for 2 s once, and went back to work";
    draws(&mut life, 455, "busy").await?;
    draws(&mut life, 3, "idle").await?;
    life.tells("status", once).await?;
    life.mill.gesture("press").await?;
    life.mill.order().await?;
    life.tells("why", once).await?;
    // And it goes on counting from there.
    life.mill.outlet_is("off").await?;
    life.mill.outlet_is("on").await?;
    for (number, means) in [(455, "busy"), (3, "idle"), (455, "busy"), (3, "idle")] {
        draws(&mut life, number, means).await?;
    }
    life.tells("status", "before this it was quiet for 2 s twice, and twice it went back to work").await?;
    life.end()?;
    assert!(!metering.is_finished(), "the meter spoke to the end");
    Ok(())
}
