//! The program as a process: ended, frozen, started again and again.

use std::path::Path;
use std::process::{Child, Command, Stdio};

use anyhow::{Context as _, Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::shop::{Guard, plan, write_rules};
use tempfile::TempDir;

use crate::stage::{Hand, pause};

/// Killed when dropped.
struct Process(Child);

impl Process {
    fn start(rules: &Path, state: &Path) -> Result<Process> {
        let program = std::env::current_exe()?.with_file_name("idlegate");
        let child = Command::new(&program)
            .args(["run".as_ref(), rules.as_os_str(), "--state-dir".as_ref(), state.as_os_str()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .with_context(|| format!("starting {}", program.display()))?;
        Ok(Process(child))
    }

    fn signal(&self, word: &str) -> Result<()> {
        let status = Command::new("kill").args([&format!("-{word}"), &self.0.id().to_string()]).status()?;
        ensure!(status.success(), "kill -{word}");
        Ok(())
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

struct Scene {
    _broker: Mosquitto,
    _folders: [TempDir; 2],
    process: Process,
    hand: Hand,
}

/// The mill works, and an off has been held.
async fn in_window() -> Result<Scene> {
    let broker = Mosquitto::start()?;
    let folders = [tempfile::tempdir()?, tempfile::tempdir()?];
    write_rules(folders[0].path(), broker.port())?;
    let process = Process::start(folders[0].path(), folders[1].path())?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.outlet("on").await?;
    hand.draws("450", "busy").await?;
    hand.press().await?;
    hand.decision("held").await?;
    Ok(Scene { _broker: broker, _folders: folders, process, hand })
}

pub(crate) async fn restarts() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut hand = Hand::early(broker.port()).await?;
    hand.client.publish_retained("outlets/mill/state", "on").await?;
    for _ in 0..20 {
        let guard = Guard::start(plan(broker.port())?, None)?;
        hand.hears("idlegate/health", |health| health["state"] == "online").await?;
        hand.publish("meters/mill", "450").await?;
        hand.press().await?;
        guard.stop().await?;
    }
    hand.nothing_is_switched().await?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    hand.hears("idlegate/health", |health| health["state"] == "online").await?;
    hand.is_still_guarded().await?;
    guard.stop().await
}

pub(crate) async fn frozen() -> Result<()> {
    let mut scene = in_window().await?;
    pause(1_200).await;
    scene.process.signal("STOP")?;
    scene.hand.hold().await?;
    pause(4_000).await;
    scene.process.signal("CONT")?;
    scene.hand.nothing_is_switched().await?;
    scene.hand.is_still_guarded().await
}

pub(crate) async fn terminated() -> Result<()> {
    let mut scene = in_window().await?;
    scene.process.signal("TERM")?;
    scene.hand.hears("idlegate/announcement", |told| told["kind"] == "window-over").await?;
    scene.hand.hears("idlegate/health", |health| health["state"] == "offline").await?;
    let ended = tokio::task::block_in_place(|| scene.process.0.wait())?;
    ensure!(ended.success(), "{ended}");
    scene.hand.nothing_is_switched().await
}
