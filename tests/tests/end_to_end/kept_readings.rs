//! The readings that the guard keeps by itself, from a real broker to `replay --last`, `check --in-force` and
//! `calibrate --last`.
//!
//! Could go wrong in the workshop: a week later nothing is there, or not what the guard saw; rules that would have
//! ended a job pass.

use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use anyhow::{Result, ensure};
use idlegate_guard::time::Span;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::process::program;
use idlegate_tests::shop::{Guard, Mill, plan, write_rules};

/// What the command said, and its exit code.
fn idlegate(arguments: &[&str]) -> Result<(Option<i32>, String)> {
    let output = Command::new(program()?).args(arguments).output()?;
    let text = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
    Ok((output.status.code(), text.into_owned()))
}

/// The rules of the shop with another level.
fn rules(dir: &Path, name: &str, port: u16, busy_watts: &str) -> Result<PathBuf> {
    let rules = dir.join(name);
    write_rules(&rules, port)?;
    let mill = rules.join("machines/mill.toml");
    let text = std::fs::read_to_string(&mill)?;
    std::fs::write(&mill, text.replace("busy_watts = 100", busy_watts).replace("quiet_watts = 50, ", ""))?;
    Ok(rules)
}

/// The same gesture again within two seconds would be the same one.
async fn press(mill: &mut Mill) -> Result<()> {
    tokio::time::sleep(Duration::from_millis(2_100)).await;
    mill.gesture("press").await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn new_rules_are_tried_on_what_the_guard_has_seen() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let state = dir.path().join("state");
    let mut plan = plan(broker.port())?;
    plan.shop.keep_readings = Some(Span::secs(86_400));
    let guard = Guard::start(plan, Some(state.clone()))?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("455", "busy").await?;
    // Longer than the dwell.
    for _ in 0..30 {
        mill.client.publish("meters/mill", "455").await?;
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    press(&mut mill).await?;
    mill.hear_json("idlegate/decision", |decided| decided["decision"] == "held").await?;
    // A reading of the same millisecond would count as older than the press.
    tokio::time::sleep(Duration::from_millis(20)).await;
    mill.draws("455", "busy").await?;
    mill.draws("3", "idle").await?;
    press(&mut mill).await?;
    ensure!(mill.order().await?.payload == "off");
    mill.outlet_is("off").await?;
    mill.client.publish("meters/mill", "0").await?;
    mill.outlet_is("on").await?;
    for _ in 0..5 {
        mill.client.publish("meters/mill", "3").await?;
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    guard.stop().await?;

    let files: Vec<_> = std::fs::read_dir(state.join("readings"))?.collect::<Result<_, _>>()?;
    ensure!(files.len() == 1, "{files:?}");
    ensure!(files[0].metadata()?.permissions().mode() & 0o7777 == 0o600);

    let same = rules(dir.path(), "same", broker.port(), "busy_watts = 100")?;
    let careless = rules(dir.path(), "careless", broker.port(), "busy_watts = 1000")?;
    let (same, careless) = (same.to_str().expect("a path"), careless.to_str().expect("a path"));
    let state_dir = state.to_str().expect("a path");
    let (code, told) = idlegate(&["replay", "--last", "1h", "--rules", same, "--state-dir", state_dir])?;
    ensure!(code == Some(0) && told.contains("2 decided alike, 0 otherwise"), "{code:?} {told}");
    let (code, told) = idlegate(&["replay", "--last", "1h", "--rules", careless, "--state-dir", state_dir])?;
    ensure!(code == Some(1) && told.contains("1 decided alike, 1 otherwise"), "{code:?} {told}");
    ensure!(told.contains("THE MACHINE WAS IN A JOB") && told.matches("455 W").count() == 2, "{told}");
    let (code, told) =
        idlegate(&["check", careless, "--in-force", same, "--last", "1h", "--state-dir", state_dir])?;
    ensure!(code == Some(1) && told.contains("machine mill: detector power-threshold"), "{code:?} {told}");
    ensure!(told.contains("1 decided alike, 1 otherwise"), "{told}");
    // Too short to propose anything, but read.
    let (code, told) = idlegate(&["calibrate", "--last", "1h", "mill", "--state-dir", state_dir])?;
    ensure!(code == Some(1) && !told.contains("no readings of"), "{code:?} {told}");
    let (code, told) = idlegate(&["calibrate", "--last", "1h", "kiln", "--state-dir", state_dir])?;
    ensure!(code == Some(1) && told.contains("there are no readings in it"), "{code:?} {told}");
    // It is known when its outlet was switched, to whoever has its rules.
    let unusual = ["calibrate", "--unusual", "--last", "1h", "mill", "--state-dir", state_dir];
    let (code, told) = idlegate(&[&unusual[..], &["--rules", same]].concat())?;
    ensure!(code == Some(1) && told.contains("it was seen to be switched on 1 time;"), "{code:?} {told}");
    let (code, told) = idlegate(&unusual)?;
    ensure!(
        code == Some(1) && told.contains("When its outlet was switched is not known."),
        "{code:?} {told}"
    );
    let empty = dir.path().join("empty");
    let empty = empty.to_str().expect("a path");
    let (code, told) = idlegate(&["calibrate", "--last", "14d", "mill", "--state-dir", empty])?;
    ensure!(code == Some(1) && told.contains("keep_readings = \"14d\""), "{code:?} {told}");
    Ok(())
}
