//! Buttons, and the hands on them.

use anyhow::{Result, ensure};
use idlegate::time::Span;

use crate::stage::{Stage, pause};

pub(crate) async fn bouncing() -> Result<()> {
    let mut stage = Stage::with(|_| ()).await?;
    stage.hand.draws("450", "busy").await?;
    for _ in 0..5 {
        stage.hand.press().await?;
        pause(16).await;
    }
    let (mut held, mut too_old) = (0, 0);
    for _ in 0..5 {
        let decision = stage.hand.hears("idlegate/decision", |_| true).await?;
        if decision["decision"] == "held" {
            held += 1;
        } else {
            ensure!(decision["decision"] == "ignored", "one of five edges was another request: {decision}");
            too_old += u32::from(decision["reason"] == "too-old");
        }
    }
    ensure!(held == 1 || held == 0 && too_old == 5, "five edges were {held} requests");
    stage.ends().await
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
    stage.hand.client.publish_retained("outlets/mill/state", "off").await?;
    stage.hand.hears("idlegate/incident", |told| told["kind"] == "off-by-another-route").await?;
    stage.hand.nothing_is_switched().await?;
    stage.ends().await
}
