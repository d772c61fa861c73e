//! Rules files and the journal's.

use std::fs;
use std::io::Write as _;

use anyhow::{Context as _, Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::shop::{Guard, plan, write_rules};
use tempfile::TempDir;

use crate::stage::{Hand, pause};

struct Folder {
    dir: TempDir,
    _broker: Mosquitto,
    guard: Guard,
    hand: Hand,
}

async fn folder() -> Result<Folder> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    write_rules(dir.path(), broker.port())?;
    let guard = Guard::following(dir.path())?;
    let hand = Hand::at(broker.port()).await?;
    Ok(Folder { dir, _broker: broker, guard, hand })
}

impl Folder {
    fn mill(&self) -> std::path::PathBuf {
        self.dir.path().join("machines/mill.toml")
    }

    async fn outcome(&mut self, word: &str) -> Result<()> {
        self.hand.hears("idlegate/health", |health| health["reload"]["outcome"] == word).await.map(drop)
    }

    async fn ends(mut self) -> Result<()> {
        self.hand.is_still_guarded().await?;
        self.guard.stop().await
    }
}

pub(crate) async fn half_written() -> Result<()> {
    let mut folder = folder().await?;
    let whole = fs::read_to_string(folder.mill())?.replace("title = \"Mill\"", "title = \"Other mill\"");
    fs::write(folder.mill(), &whole[..whole.len() / 2])?;
    folder.outcome("kept-old").await?;
    fs::write(folder.mill(), &whole)?;
    folder.outcome("applied").await?;
    folder.ends().await
}

pub(crate) async fn broken() -> Result<()> {
    let mut folder = folder().await?;
    let whole = fs::read_to_string(folder.mill())?;
    fs::write(folder.mill(), whole.replace("[outlet]", "[outlett]"))?;
    folder.outcome("kept-old").await?;
    fs::remove_file(folder.mill())?;
    fs::create_dir(folder.mill())?;
    // The same word again is told again, after the next look.
    pause(1_500).await;
    fs::remove_dir(folder.mill())?;
    folder.hand.is_still_guarded().await?;
    fs::write(folder.mill(), whole.replace("title = \"Mill\"", "title = \"Other mill\""))?;
    folder.outcome("applied").await?;
    folder.guard.stop().await
}

pub(crate) async fn saved_often() -> Result<()> {
    let mut folder = folder().await?;
    let whole = fs::read_to_string(folder.mill())?;
    for nth in 1..=100 {
        fs::write(folder.mill(), whole.replace("title = \"Mill\"", &format!("title = \"Mill {nth}\"")))?;
        pause(8).await;
    }
    folder.hand.hears("idlegate/machine/mill", |status| status["title"] == "Mill 100").await?;
    folder.ends().await
}

pub(crate) async fn no_state_folder() -> Result<()> {
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan(broker.port())?, Some("/proc/idlegate/state".into()))?;
    let mut hand = Hand::early(broker.port()).await?;
    let degraded =
        |health: &serde_json::Value| health["journal"].as_str().is_some_and(|it| it.starts_with("degraded"));
    hand.hears("idlegate/health", degraded).await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

/// A small disk of its own in memory; gone when dropped.
struct SmallDisk(TempDir);

impl SmallDisk {
    fn new() -> Result<SmallDisk> {
        let dir = tempfile::tempdir()?;
        run("mount", &["-t", "tmpfs", "-o", "size=4m", "tmpfs"], dir.path())
            .context("this trial needs root")?;
        Ok(SmallDisk(dir))
    }

    fn fill(&self) -> Result<()> {
        let mut file = fs::File::create(self.large_file())?;
        let piece = vec![7; 64 * 1024];
        // Until there is no room for another byte.
        while file.write_all(&piece).is_ok() {}
        Ok(())
    }

    fn large_file(&self) -> std::path::PathBuf {
        self.0.path().join("something-large")
    }

    fn become_read_only(&self, read_only: bool) -> Result<()> {
        run("mount", &["-o", if read_only { "remount,ro" } else { "remount,rw" }], self.0.path())
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // A disk that is still in use goes when it is no longer.
        let _ = run("umount", &["-l"], self.0.path());
    }
}

fn run(program: &str, args: &[&str], path: &std::path::Path) -> Result<()> {
    let output = std::process::Command::new(program).args(args).arg(path).output()?;
    ensure!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    Ok(())
}

pub(crate) async fn disk_full() -> Result<()> {
    let disk = SmallDisk::new()?;
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan(broker.port())?, Some(disk.0.path().to_owned()))?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.outlet("on").await?;
    hand.draws("450", "busy").await?;
    disk.fill()?;
    hand.press_is_held().await?;
    nothing_is_recorded(&mut hand).await?;
    fs::remove_file(disk.large_file())?;
    everything_is_recorded(&mut hand).await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn disk_read_only() -> Result<()> {
    let disk = SmallDisk::new()?;
    disk.become_read_only(true)?;
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan(broker.port())?, Some(disk.0.path().to_owned()))?;
    let mut hand = Hand::early(broker.port()).await?;
    nothing_is_recorded(&mut hand).await?;
    hand.is_still_guarded().await?;
    hand.outlet_obeys().await?;
    disk.become_read_only(false)?;
    everything_is_recorded(&mut hand).await?;
    guard.stop().await
}

async fn nothing_is_recorded(hand: &mut Hand) -> Result<()> {
    hand.hears("idlegate/health", |health| journal(health).starts_with("degraded")).await.map(drop)
}

async fn everything_is_recorded(hand: &mut Hand) -> Result<()> {
    hand.hears("idlegate/health", |health| journal(health) == "ok").await.map(drop)
}

fn journal(health: &serde_json::Value) -> &str {
    health["journal"].as_str().unwrap_or_default()
}

pub(crate) async fn damaged_journal() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    // A first run shows what the files are called.
    let guard = Guard::start(plan(broker.port())?, Some(dir.path().to_owned()))?;
    Hand::at(broker.port()).await?.outlet("on").await?;
    guard.stop().await?;
    let names = || -> Result<Vec<std::path::PathBuf>> {
        let entries = fs::read_dir(dir.path())?.map(|entry| Ok(entry?.path()));
        entries.collect()
    };
    let journal =
        names()?.into_iter().find(|path| path.extension().is_some_and(|it| it == "sqlite" || it == "db"));
    let journal = journal.with_context(|| format!("no journal among {:?}", names()))?;
    fs::write(&journal, "this is no journal\n".repeat(1_000))?;
    let before = names()?.len();
    let guard = Guard::start(plan(broker.port())?, Some(dir.path().to_owned()))?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.is_still_guarded().await?;
    guard.stop().await?;
    ensure!(names()?.len() > before, "the damaged one is kept beside the new: {:?}", names()?);
    Ok(())
}
