//! Buttons, and the hands on them.

use anyhow::{Result, bail, ensure};
use idlegate_guard::time::Span;
use serde_json::Value as Json;

use crate::stage::{Hand, Stage, pause};

pub(crate) async fn bouncing() -> Result<()> {
    let mut stage = Stage::with(|_| ()).await?;
    stage.hand.draws("450", "busy").await?;
    // On a computer that stands still for a while all five may be too old; people press again.
    for _ in 0..5 {
        let decisions = five_presses(&mut stage.hand).await?;
        if decisions.iter().any(|decision| decision["reason"] != "too-old") {
            let held = decisions.iter().filter(|decision| decision["decision"] == "held").count();
            ensure!(held == 1, "five edges were {held} requests");
            return stage.ends().await;
        }
    }
    bail!("no press was fresh")
}

async fn five_presses(hand: &mut Hand) -> Result<Vec<Json>> {
    for _ in 0..5 {
        hand.press().await?;
        pause(16).await;
    }
    let mut decisions = Vec::new();
    for _ in 0..5 {
        let decision = hand.hears("idlegate/decision", |_| true).await?;
        let word = &decision["decision"];
        ensure!(word == "held" || word == "ignored", "one of five edges was another request: {decision}");
        decisions.push(decision);
    }
    Ok(decisions)
}

pub(crate) async fn press_reported_as_both() -> Result<()> {
    let mut stage = Stage::in_window(|_| ()).await?;
    stage.hand.hold().await?;
    stage.hand.nothing_is_switched().await?;
    stage.ends().await
}

pub(crate) async fn force_too_late() -> Result<()> {
    let mut stage = Stage::in_window(|plan| plan.machines[0].policy.window = Span::secs(2)).await?;
    stage.hand.hears("idlegate/announcement", |told| told["kind"] == "window-over").await?;
    stage.hand.force_is_held().await?;
    stage.hand.nothing_is_switched().await?;
    stage.ends().await
}

pub(crate) async fn two_forces() -> Result<()> {
    let mut stage = Stage::in_window(|_| ()).await?;
    pause(1_200).await;
    stage.hand.force_cuts().await?;
    stage.hand.hold().await?;
    // The outlet has not answered yet; the second force adds nothing.
    stage.hand.nothing_is_switched().await?;
    stage.hand.outlet_obeys().await?;
    stage.ends().await
}

pub(crate) async fn stuck() -> Result<()> {
    let mut stage = Stage::with(|plan| plan.machines[0].policy.stuck_after = Span::secs(5)).await?;
    stage.hand.draws("450", "busy").await?;
    for _ in 0..24 {
        stage.hand.press().await?;
        pause(300).await;
    }
    stage.hand.hears("idlegate/announcement", |told| told["kind"] == "stuck-input").await?;
    stage.hand.nothing_is_switched().await?;
    stage.ends().await
}

pub(crate) async fn emergency_anyway() -> Result<()> {
    let mut stage = Stage::in_window(|_| ()).await?;
    stage.hand.emergency().await?;
    stage.hand.outlet_obeys().await?;
    pause(2_500).await;
    // Believed off: it is sent all the same, for belief cuts nothing.
    stage.hand.emergency().await?;
    stage.guard.stop().await
}

pub(crate) async fn by_hand() -> Result<()> {
    let mut stage = Stage::new().await?;
    stage.hand.draws("450", "busy").await?;
    stage.hand.client.publish_retained("outlets/mill/says", "off").await?;
    stage.hand.hears("idlegate/incident", |told| told["kind"] == "off-by-another-route").await?;
    stage.hand.nothing_is_switched().await?;
    stage.ends().await
}
