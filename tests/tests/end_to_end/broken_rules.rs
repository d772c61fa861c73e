//! What people see of a running guard while somebody is in the middle of writing better rules, and of a button that is
//! wired up wrong.
//!
//! Could go wrong: a slip in the folder hides a working guard from everybody who looks; a press in vain is seen by
//! nobody; a decision is explained by rules that it was not made by.

use std::path::Path;
use std::process::Output;
use std::time::Duration;

use anyhow::Result;
use idlegate_rules::history::{KeptRules, kept_rules};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::{Process, program};
use idlegate_tests::shop;

async fn says(rules: &Path, arguments: &[&str], more: &[&str]) -> Result<(Option<i32>, String)> {
    let mut command = tokio::process::Command::new(program()?);
    let Output { status, stdout, stderr } = command.args(arguments).arg(rules).args(more).output().await?;
    Ok((status.code(), String::from_utf8(stdout)? + &String::from_utf8(stderr)?))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slip_in_the_folder_hides_nothing_of_the_running_guard() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let rules = dir.path().join("shop");
    shop::write_rules(&rules, broker.port())?;
    let mut watcher = Client::connect(broker.port()).await?;
    watcher.subscribe("idlegate/#").await?;
    // Beside the rules, where nobody has to say it.
    let guard = Process::start(&rules, &dir.path().join("shop-state"))?;
    let patience = Duration::from_secs(60);
    watcher.hears_json("idlegate/machine/mill", patience, |status| status["machine"] == "mill").await?;

    watcher.publish("buttons/mill", r#"{"battery":71,"key":"press"}"#).await?;
    let told = |announced: &serde_json::Value| {
        let sentence = announced["sentence"].as_str().unwrap_or_default();
        announced["kind"] == "not-understood" && sentence.contains("try pointer = \"/key\"")
    };
    watcher.hears_json("idlegate/announcement", patience, told).await?;
    let counted = |health: &serde_json::Value| {
        health["inputs_not_understood"]["count"] == 1 && health["inputs_not_understood"]["input"] == "button"
    };
    watcher.hears_json("idlegate/health", patience, counted).await?;

    std::fs::write(rules.join("machines/mill.toml"), "title = Mill")?;
    let (code, text) = says(&rules, &["status", "--rules"], &[]).await?;
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("machines/mill.toml:1:9") && text.contains("last-good-rules"), "{text}");
    assert!(text.contains("mill               unknown") && text.contains("try pointer = \"/key\""), "{text}");
    let (code, text) = says(&rules, &["checkup"], &["--for", "1s"]).await?;
    assert_eq!(code, Some(1), "{text}");
    assert!(text.contains("cannot be used (1 error)") && text.contains("try pointer = \"/key\""), "{text}");
    let (_, text) = says(&rules, &["request", "--rules"], &["mill", "lock"]).await?;
    assert!(text.contains("is now locked"), "{text}");
    drop(guard);
    Ok(())
}

/// A change is in the history a moment after it is in force.
async fn history_of(state: &Path, changes: usize) -> Result<Vec<KeptRules>> {
    for _ in 0..600 {
        let kept = kept_rules(state)?;
        if kept.len() >= changes {
            return Ok(kept);
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    anyhow::bail!("{changes} changes are not in the history after a minute")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_decision_is_shown_with_the_rules_of_then_and_these_can_be_restored() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let (rules, state) = (dir.path().join("shop"), dir.path().join("shop-state"));
    shop::write_rules(&rules, broker.port())?;
    let mut watcher = Client::connect(broker.port()).await?;
    watcher.subscribe("idlegate/#").await?;
    let guard = Process::start(&rules, &state)?;
    let patience = Duration::from_secs(60);
    watcher.hears_json("idlegate/machine/mill", patience, |status| status["machine"] == "mill").await?;
    let first = history_of(&state, 1).await?.remove(0);
    watcher.publish("buttons/mill", "press").await?;
    watcher.hears_json("idlegate/decision", patience, |it| it["rules"] == first.digest.as_str()).await?;

    let machine = rules.join("machines/mill.toml");
    let text = std::fs::read_to_string(&machine)?;
    let beside = rules.join("beside");
    std::fs::write(&beside, text.replace("busy_watts = 100", "busy_watts = 150"))?;
    std::fs::rename(&beside, &machine)?;
    let second = history_of(&state, 2).await?.remove(1);
    watcher.publish("buttons/mill", "long-press").await?;
    watcher.hears_json("idlegate/decision", patience, |it| it["rules"] == second.digest.as_str()).await?;

    let (code, told) = says(&rules, &["rules", "restore", &first.digest[..8]], &[]).await?;
    assert_eq!(code, Some(0), "{told}");
    let again = |health: &serde_json::Value| {
        health["reload"]["outcome"] == "applied" && health["rules"] == first.digest.as_str()
    };
    watcher.hears_json("idlegate/health", patience, again).await?;
    history_of(&state, 3).await?;
    let state = state.display().to_string();
    let (_, told) =
        says(&rules, &["why", "--rules"], &["mill", "--last", "2", "--state-dir", &state]).await?;
    let (of_first, of_second) = told.split_once("\n\n").expect("two accounts");
    assert!(of_first.contains("mill.toml said, and still does:"), "{told}");
    assert!(of_first.contains("    settings = { busy_watts = 100,"), "{told}");
    assert!(of_second.contains("mill.toml said then, and does not any more:"), "{told}");
    assert!(of_second.contains("    settings = { busy_watts = 150,"), "{told}");
    drop(guard);
    Ok(())
}
