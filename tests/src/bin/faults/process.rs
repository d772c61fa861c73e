//! The program as a process: ended, frozen, started again and again.

use anyhow::{Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::process::Process;
use idlegate_tests::shop::{Guard, plan, write_rules};
use tempfile::TempDir;

use crate::stage::{Hand, pause};

struct Scene {
    _broker: Mosquitto,
    folders: [TempDir; 2],
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
    hand.press_is_held().await?;
    Ok(Scene { _broker: broker, folders, process, hand })
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

/// The second uses the same client id and the same state folder.
pub(crate) async fn twice() -> Result<()> {
    let mut scene = in_window().await?;
    let [rules, state] = &scene.folders;
    let mut second = Process::start(rules.path(), state.path())?;
    pause(3_000).await;
    scene.hand.nothing_is_switched().await?;
    if second.is_running()? {
        second.signal("KILL")?;
        second.wait()?;
    }
    scene.hand.hears("idlegate/health", |health| health["state"] == "online").await?;
    scene.hand.is_still_guarded().await
}

pub(crate) async fn few_files() -> Result<()> {
    let broker = Mosquitto::start()?;
    let folders = [tempfile::tempdir()?, tempfile::tempdir()?];
    write_rules(folders[0].path(), broker.port())?;
    let shop = folders[0].path().join("shop.toml");
    let port = idlegate_tests::broker::free_port()?;
    let text = std::fs::read_to_string(&shop)? + &format!("[monitoring]\nlisten = \"127.0.0.1:{port}\"\n");
    std::fs::write(&shop, text)?;
    let process = Process::start(folders[0].path(), folders[1].path())?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.outlet("on").await?;
    let limit = format!("--nofile={}", process.open_files()? + 2);
    let limited =
        std::process::Command::new("prlimit").args(["--pid", &process.id().to_string(), &limit]).status()?;
    ensure!(limited.success(), "prlimit");
    // Visitors to the page take all that is left.
    let visitors: Vec<_> = (0..20).map(|_| std::net::TcpStream::connect(("127.0.0.1", port))).collect();
    hand.is_still_guarded().await?;
    drop(visitors);
    Ok(())
}

pub(crate) async fn terminated() -> Result<()> {
    let mut scene = in_window().await?;
    scene.process.signal("TERM")?;
    scene.hand.hears("idlegate/announcement", |told| told["kind"] == "window-over").await?;
    scene.hand.hears("idlegate/health", |health| health["state"] == "offline").await?;
    let ended = tokio::task::block_in_place(|| scene.process.wait())?;
    ensure!(ended.success(), "{ended}");
    scene.hand.nothing_is_switched().await
}
