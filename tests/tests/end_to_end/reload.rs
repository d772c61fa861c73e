//! Rules that change under a working guard, through a real broker and a real folder.
//!
//! Could go wrong in the workshop: a change that is not noticed, a broken file that takes the guard with it, a window
//! that closes under somebody's hand, a machine switched because a file was saved.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use std::fs;
use std::path::Path;

use anyhow::Result;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::shop::{Guard, Mill, write_rules};
use serde_json::Value as Json;

/// A shop that follows its folder, and somebody who listens.
async fn shop(dir: &Path) -> Result<(Mosquitto, Guard, Mill)> {
    let broker = Mosquitto::start()?;
    write_rules(dir, broker.port())?;
    let guard = Guard::following(dir)?;
    let mill = Mill::meet(broker.port()).await?;
    Ok((broker, guard, mill))
}

/// As careful editors save: beside it first, then in its place.
fn save(path: &Path, text: &str) {
    let beside = path.with_extension("toml~");
    fs::write(&beside, text).unwrap();
    fs::rename(&beside, path).unwrap();
}

async fn outcome(mill: &mut Mill, word: &str) -> Result<Json> {
    let health = mill.hear_json("idlegate/health", |health| health["reload"]["outcome"] == word).await?;
    Ok(health["reload"].clone())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_saved_change_is_in_force_and_an_open_window_stays_open() -> Result<()> {
    let dir = tempfile::tempdir()?;
    let (_broker, guard, mut mill) = shop(dir.path()).await?;
    mill.outlet_is("on").await?;
    mill.draws("450", "busy").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.decision().await?["decision"], "held");
    let inputs = dir.path().join("inputs.toml");
    let text = fs::read_to_string(&inputs)?;
    for change in ["first", "second"] {
        save(&inputs, &format!("{text}# {change}\n"));
        outcome(&mut mill, "applied").await?;
    }
    tokio::time::sleep(std::time::Duration::from_millis(1_100)).await;
    mill.gesture("long-press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn broken_rules_leave_the_old_ones_in_force_and_mending_them_is_told() -> Result<()> {
    let dir = tempfile::tempdir()?;
    let (_broker, guard, mut mill) = shop(dir.path()).await?;
    mill.outlet_is("on").await?;
    let path = dir.path().join("machines/mill.toml");
    let good = fs::read_to_string(&path)?;
    save(&path, &good.replace("busy_watts", "bussy_above"));
    let told = mill.hear_json("idlegate/announcement", |it| it["kind"] == "rules-kept-old").await?;
    assert!(told["sentence"].as_str().unwrap().contains("machines/mill.toml"), "{told}");
    let kept = outcome(&mut mill, "kept-old").await?;
    assert!(kept["problems"][0].as_str().unwrap().contains("busy_watts"), "the nearest name is told: {kept}");
    mill.draws("12", "idle").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off", "it goes on guarding by the old rules");
    save(&path, &good);
    outcome(&mut mill, "unchanged").await?;
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_button_on_another_topic_is_heard_and_the_old_one_no_more() -> Result<()> {
    let dir = tempfile::tempdir()?;
    let (_broker, guard, mut mill) = shop(dir.path()).await?;
    mill.outlet_is("on").await?;
    mill.draws("450", "busy").await?;
    let inputs = dir.path().join("inputs.toml");
    save(&inputs, &fs::read_to_string(&inputs)?.replace("buttons/mill", "buttons/bench"));
    outcome(&mut mill, "applied").await?;
    mill.gesture("press").await?;
    // The new subscription may take a moment; a press that is not heard has no decision.
    let decision = loop {
        mill.client.publish("buttons/bench", "press".to_owned()).await?;
        let heard = tokio::time::timeout(std::time::Duration::from_millis(500), mill.decision()).await;
        if let Ok(decision) = heard {
            break decision?;
        }
    };
    assert_eq!((&decision["input"], &decision["decision"]), (&"button".into(), &"held".into()));
    guard.stop().await
}

/// The whole folder is exchanged by turning a link, as deployment tools do; then it goes away and comes back.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_turned_link_and_a_folder_that_comes_back_are_noticed() -> Result<()> {
    let dir = tempfile::tempdir()?;
    let link = dir.path().join("current");
    let broker = Mosquitto::start()?;
    for version in ["one", "two"] {
        write_rules(&dir.path().join(version), broker.port())?;
    }
    let mill_two = dir.path().join("two/machines/mill.toml");
    fs::write(&mill_two, fs::read_to_string(&mill_two)?.replace("\"Mill\"", "\"Big mill\""))?;
    std::os::unix::fs::symlink(dir.path().join("one"), &link)?;
    let guard = Guard::following(&link)?;
    let mut mill = Mill::meet(broker.port()).await?;

    let turned = dir.path().join("turned");
    std::os::unix::fs::symlink(dir.path().join("two"), &turned)?;
    fs::rename(&turned, &link)?;
    outcome(&mut mill, "applied").await?;
    mill.hear_json("idlegate/machine/mill", |status| status["title"] == "Big mill").await?;

    fs::rename(dir.path().join("two"), dir.path().join("away"))?;
    outcome(&mut mill, "kept-old").await?;
    fs::rename(dir.path().join("away"), dir.path().join("two"))?;
    outcome(&mut mill, "unchanged").await?;
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_bad_detector_file_leaves_the_old_one_at_work() -> Result<()> {
    let dir = tempfile::tempdir()?;
    let broker = Mosquitto::start()?;
    write_rules(dir.path(), broker.port())?;
    let prebuilt = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plugins/prebuilt/power-threshold.wasm");
    let file = dir.path().join("detectors/mine.wasm");
    fs::create_dir(dir.path().join("detectors"))?;
    fs::copy(&prebuilt, &file)?;
    let machine = dir.path().join("machines/mill.toml");
    let text =
        fs::read_to_string(&machine)?.replace("use = \"power-threshold\"", "file = \"detectors/mine.wasm\"");
    fs::write(&machine, text)?;
    let guard = Guard::following(dir.path())?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;

    fs::write(&file, b"no detector at all")?;
    let kept = outcome(&mut mill, "kept-old").await?;
    assert!(kept["problems"][0].as_str().unwrap().contains("mine.wasm"), "{kept}");
    mill.draws("12", "idle").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    fs::copy(&prebuilt, &file)?;
    outcome(&mut mill, "unchanged").await?;
    guard.stop().await
}
