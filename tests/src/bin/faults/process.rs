//! The program as a process: ended, frozen, started again and again.

use anyhow::{Result, ensure};
use idlegate_guard::time::WallTime;
use idlegate_os::Clock;
use idlegate_plan::text::rfc3339;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::process::Process;
use idlegate_tests::shop::{Guard, plan, write_rules};
use serde_json::Value as Json;
use tempfile::{NamedTempFile, TempDir};

use crate::stage::{Hand, pause};

struct Scene {
    _broker: Mosquitto,
    folders: [TempDir; 2],
    process: Process,
    hand: Hand,
}

/// The mill works, and an off has been held.
async fn in_window() -> Result<Scene> {
    in_window_by(&[]).await
}

async fn in_window_by(environment: &[(&str, String)]) -> Result<Scene> {
    let broker = Mosquitto::start()?;
    let folders = [tempfile::tempdir()?, tempfile::tempdir()?];
    write_rules(folders[0].path(), broker.port())?;
    let process = Process::start_in(folders[0].path(), folders[1].path(), &[], environment)?;
    let mut hand = Hand::at(broker.port()).await?;
    hand.outlet("on").await?;
    hand.draws("450", "busy").await?;
    hand.press_is_held().await?;
    Ok(Scene { _broker: broker, folders, process, hand })
}

pub(crate) async fn restarts() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut hand = Hand::early(broker.port()).await?;
    hand.client.publish_retained("outlets/mill/says", "on").await?;
    for _ in 0..20 {
        let guard = Guard::start(plan(broker.port())?, None)?;
        hand.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
        hand.publish("meters/mill", "450").await?;
        hand.press().await?;
        guard.stop().await?;
    }
    hand.nothing_is_switched().await?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    hand.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
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

/// As a computer that was suspended: when it wakes, the window is over, and the force is the first thing it hears.
pub(crate) async fn suspended() -> Result<()> {
    let mut scene = in_window().await?;
    scene.process.signal("STOP")?;
    pause(11_000).await;
    scene.process.signal("CONT")?;
    scene.hand.hold().await?;
    scene.hand.nothing_is_switched().await?;
    scene.hand.is_still_guarded().await
}

/// A day to and fro while a window is open: it stays open.
pub(crate) async fn clock_steps() -> Result<()> {
    let clock = StrangeClock::new("+0")?;
    let mut scene = in_window_by(&clock.environment()).await?;
    for step in ["+1d", "-1d"] {
        clock.set(step)?;
        pause(200).await;
        scene.hand.nothing_is_switched().await?;
    }
    clock.set("+1d")?;
    scene.hand.force_cuts().await?;
    let of_force = |decision: &Json| decision["request"] == "force-off";
    let decision = scene.hand.hears("idlegate/decision", of_force).await?;
    ensure!(decision["decision"] == "acted", "in the window, by whatever clock: {decision}");
    ensure!(is_of_tomorrow(&decision), "the guard never saw the other time: {decision}");
    clock.set("-1d")?;
    scene.hand.outlet("off").await?;
    scene.hand.is_still_guarded().await
}

/// A small computer without a battery for its clock, until it hears the time.
pub(crate) async fn clock_unset() -> Result<()> {
    let clock = StrangeClock::new("@1970-01-01 00:00:30")?;
    let mut scene = in_window_by(&clock.environment()).await?;
    scene.hand.nothing_is_switched().await?;
    ensure!(is_of_1970(&scene.hand.press_is_held().await?), "the guard never saw the other time");
    clock.set("+0")?;
    pause(2_100).await;
    ensure!(!is_of_1970(&scene.hand.press_is_held().await?), "the guard never saw the time set right");
    scene.hand.is_still_guarded().await
}

/// A wall clock that says what we want, and a monotonic one that goes as ever.
pub(crate) struct StrangeClock {
    /// Read by libfaketime, which stands between the program and the system.
    says: NamedTempFile,
}

impl StrangeClock {
    pub(crate) fn new(says: &str) -> Result<StrangeClock> {
        let clock = StrangeClock { says: NamedTempFile::new()? };
        clock.set(says)?;
        Ok(clock)
    }

    pub(crate) fn set(&self, says: &str) -> Result<()> {
        Ok(std::fs::write(&self.says, says)?)
    }

    pub(crate) fn environment(&self) -> [(&'static str, String); 5] {
        let library = format!("/usr/lib/{}-linux-gnu/faketime/libfaketimeMT.so.1", std::env::consts::ARCH);
        [
            ("LD_PRELOAD", library),
            ("FAKETIME_TIMESTAMP_FILE", self.says.path().display().to_string()),
            ("FAKETIME_NO_CACHE", "1".into()),
            ("FAKETIME_DONT_FAKE_MONOTONIC", "1".into()),
            ("NO_FAKE_STAT", "1".into()),
        ]
    }
}

/// Whether what was said bears the time of tomorrow.
fn is_of_tomorrow(said: &Json) -> bool {
    let in_hours = |hours: i64| rfc3339(WallTime(Clock.now().wall.0 + hours * 3_600_000));
    // In UTC and of one length, so that the order of texts is the order of times.
    said["at"].as_str().is_some_and(|at| in_hours(23).as_str() < at && at < in_hours(25).as_str())
}

fn is_of_1970(said: &Json) -> bool {
    said["at"].as_str().is_some_and(|at| at.starts_with("1970-01-01"))
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
    scene.hand.hears("idlegate/health", |health| health["guard"] == "guarding").await?;
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
    scene.hand.hears("idlegate/health", |health| health["guard"] == "gone").await?;
    let ended = tokio::task::block_in_place(|| scene.process.wait())?;
    ensure!(ended.success(), "{ended}");
    scene.hand.nothing_is_switched().await
}
