//! A draw as there never was before, through the whole guard: what the machine's own state tells its detector, and what
//! people hear.
//!
//! Could go wrong in the workshop: a mill behind a blown fuse looks like one that rests, and nobody hears of it; or
//! people hear of every mill that is off.

use std::time::Duration;

use anyhow::Result;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, MILL, Mill, plan_with};
use serde_json::Value as Json;

const WATCHED: &str = r#"
[signals.state]
machine = "this"
[[detectors]]
use = "unusual-draw"
role = "warn"
watch_while = "on"
settings = { nothing_watts = 4, draws_within = "2 s" }
"#;

#[tokio::test]
async fn a_mill_that_draws_nothing_after_its_switch_on_is_told_and_one_that_is_off_is_not() -> Result<()> {
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan_with(broker.port(), &format!("{MILL}{WATCHED}"))?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("off").await?;
    let mut meter = Client::connect(broker.port()).await?;
    let speaking = tokio::spawn(async move {
        while meter.publish("meters/mill", "0").await.is_ok() {
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    });
    let is_off = |status: &Json| status["detectors"][1]["reason"] == "it is switched off";
    mill.hear_json("idlegate/machine/mill", is_off).await?;
    // Off for longer than it may be silent when it is on, and nobody is told.
    tokio::time::sleep(Duration::from_millis(2_500)).await;
    mill.outlet_is("on").await?;
    let told = mill.hear_json("idlegate/incident", |told| told["kind"] == "warning").await?;
    speaking.abort();
    let text = told["sentence"].as_str().unwrap_or_default();
    assert!(text.starts_with("Mill: it was switched on "), "{told}");
    assert!(text.ends_with(" ago and draws nothing: plug, fuse or its own switch."), "{told}");
    // The last message of the meter before may still be on its way, and has its own connection.
    tokio::time::sleep(Duration::from_millis(500)).await;
    mill.client.publish("meters/mill", "30").await?;
    let over = mill.hear_json("idlegate/incident", |told| told["kind"] == "warning").await?;
    assert_eq!(over["over"], true, "{over}");
    guard.stop().await
}
