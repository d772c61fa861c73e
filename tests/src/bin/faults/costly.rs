//! Detectors and rules that could take the guard with them: too costly to compile, too greedy together, deadly when
//! tried.

use std::fs;
use std::path::Path;

use anyhow::{Context as _, Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::detectors::entangled;
use idlegate_tests::process::Process;
use idlegate_tests::shop::{MILL, write_rules};
use tempfile::TempDir;

use crate::handmade::Handmade;
use crate::stage::{Hand, pause};

/// What the guard may hold in memory, all its detectors included. Forty of 16 MiB would be 640 MiB alone.
const RESIDENT_KIB_MAX: f64 = 400.0 * 1024.0;
const GREEDY: usize = 40;

struct Shop {
    broker: Mosquitto,
    rules: TempDir,
    state: TempDir,
}

impl Shop {
    fn new() -> Result<Shop> {
        let shop =
            Shop { broker: Mosquitto::start()?, rules: tempfile::tempdir()?, state: tempfile::tempdir()? };
        write_rules(shop.rules.path(), shop.broker.port())?;
        fs::create_dir(shop.rules.path().join("detectors"))?;
        Ok(shop)
    }

    async fn guarded(&self) -> Result<(Process, Hand)> {
        let process = Process::start(self.rules.path(), self.state.path())?;
        let hand =
            Hand::at(self.broker.port()).await.with_context(|| process.log_end().unwrap_or_default())?;
        Ok((process, hand))
    }

    fn mill(&self, text: &str) -> Result<()> {
        // Beside it first, as careful editors save.
        let path = self.rules.path().join("machines/mill.toml");
        fs::write(path.with_extension("toml~"), text)?;
        Ok(fs::rename(path.with_extension("toml~"), path)?)
    }

    fn detector(&self, name: &str, detector: &Handmade) -> Result<()> {
        Ok(fs::write(self.rules.path().join("detectors").join(name), detector.file())?)
    }
}

fn with_detectors(count: usize, file: &str) -> String {
    let more =
        (1..=count).map(|nth| format!("[[detectors]]\nfile = \"detectors/{file}\"\nname = \"own-{nth}\"\n"));
    MILL.to_owned() + &more.collect::<String>()
}

async fn kept_old(hand: &mut Hand, words: &str) -> Result<()> {
    let health = hand.hears("idlegate/health", |health| health["reload"]["outcome"] == "kept-old").await?;
    ensure!(health["reload"]["problems"].to_string().contains(words), "{health}");
    Ok(())
}

/// Saved under a guard at work: it goes on guarding, by the rules it has. Started with it: the same.
pub(crate) async fn to_compile() -> Result<()> {
    let shop = Shop::new()?;
    let (process, mut hand) = shop.guarded().await?;
    shop.detector("costly.wasm", &Handmade { items: entangled(1_900, 2_000), ..Handmade::default() })?;
    shop.mill(&with_detectors(1, "costly.wasm"))?;
    // While it is being compiled, whatever that costs.
    pause(400).await;
    hand.is_still_guarded().await?;
    hand.outlet_obeys().await?;
    kept_old(&mut hand, "to compile").await?;
    ensure!(process.resident_kib()? < RESIDENT_KIB_MAX, "the guard holds {} KiB", process.resident_kib()?);
    drop(process);
    let (_process, mut hand) = shop.guarded().await?;
    kept_old(&mut hand, "to compile").await?;
    hand.is_still_guarded().await
}

pub(crate) async fn many_and_greedy() -> Result<()> {
    let shop = Shop::new()?;
    // As much as one may have, once, since one that wants more stops and gives it back; and every page of it touched.
    let eats = "(local $at i32)
        (if (i32.lt_u (memory.size) (i32.const 200)) (then (drop (memory.grow (i32.const 250)))))
        (loop $on (i32.store8 offset=65536 (local.get $at) (i32.const 1))
            (local.set $at (i32.add (local.get $at) (i32.const 4096)))
            (br_if $on (i32.lt_u (local.get $at) (i32.const 16000000))))";
    shop.detector("greedy.wasm", &Handmade { observe: eats.into(), ..Handmade::default() })?;
    shop.mill(&with_detectors(GREEDY, "greedy.wasm"))?;
    let (process, mut hand) = shop.guarded().await?;
    hand.outlet("on").await?;
    let is_told = |status: &serde_json::Value| status.to_string().contains("found no memory left");
    hand.draws_until("12", is_told).await?;
    hand.is_still_guarded().await?;
    ensure!(process.resident_kib()? < RESIDENT_KIB_MAX, "the guard holds {} KiB", process.resident_kib()?);
    Ok(())
}

/// Whatever of the new rules did it, it does not do it again at every start.
pub(crate) async fn killed_while_trying() -> Result<()> {
    let shop = Shop::new()?;
    let (process, _) = shop.guarded().await?;
    let copy = shop.state.path().join("last-good-rules");
    while !copy.is_dir() {
        pause(100).await;
    }
    // Dropping it is a kill -9.
    drop(process);
    shop.mill(&MILL.replace("title = \"Mill\"", "title = \"Other mill\""))?;
    let (process, mut hand) = shop.guarded().await?;
    hand.hears("idlegate/machine/mill", |status| status["title"] == "Other mill").await?;
    drop(process);
    let (process, mut hand) = shop.guarded().await?;
    kept_old(&mut hand, "while it was trying").await?;
    hand.hears("idlegate/machine/mill", |status| status["title"] == "Mill").await?;
    ensure!(digest_is_noted(shop.state.path())?, "the mark is gone");
    process.signal("HUP")?;
    hand.hears("idlegate/machine/mill", |status| status["title"] == "Other mill").await?;
    hand.is_still_guarded().await
}

fn digest_is_noted(state: &Path) -> Result<bool> {
    Ok(fs::read_to_string(state.join("rules-being-tried"))?.trim().len() == 64)
}
