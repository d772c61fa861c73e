//! A meter that speaks only when its value changes, on a real broker, with an uptime that shows that it is there.
//!
//! Could go wrong in the workshop: its silence is taken for a dead meter and nobody can switch the mill off; or it has
//! lost its connection, its last value goes on counting, and a press cuts the next job.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use anyhow::Result;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, MILL, Mill, plan_with};
use serde_json::Value as Json;

/// Longer than the pace at which the last value is shown to detectors again.
const DWELL: Duration = Duration::from_secs(6);

fn rules() -> String {
    let on_change =
        "reports = \"on-change\"\nalive = { topic = \"meters/mill/uptime\", silent_max = \"3s\" }";
    MILL.replace("stale_after = \"30s\"", on_change).replace("300 ms", "6 s")
}

/// Sends its uptime as long as it is connected.
async fn live(port: u16, connected: Arc<AtomicBool>) -> Result<()> {
    let mut meter = Client::connect(port).await?;
    for uptime in 0_u32.. {
        if connected.load(Ordering::Relaxed) {
            meter.publish("meters/mill/uptime", uptime.to_string()).await?;
        }
        tokio::time::sleep(Duration::from_millis(300)).await;
    }
    Ok(())
}

/// An off that must switch nothing; says what the detector's word rested on.
async fn held(mill: &mut Mill, because: &str) -> Result<Json> {
    // The same request again within two seconds would be the same one.
    tokio::time::sleep(Duration::from_millis(2_100)).await;
    mill.gesture("press").await?;
    let decision = mill.hear_json("idlegate/decision", |_| true).await?;
    assert_eq!(decision["decision"], "held", "{decision}");
    let reason = decision["detectors"][0]["reason"].as_str().unwrap_or_default();
    assert!(reason.contains(because), "{decision}");
    Ok(decision["detectors"][0]["readings"][0].clone())
}

async fn becomes(mill: &mut Mill, state: &str) -> Result<()> {
    mill.hear_json("idlegate/machine/mill", |status| status["state"] == state).await.map(drop)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn its_silence_is_believed_beside_a_sign_of_life_and_no_longer() -> Result<()> {
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan_with(broker.port(), &rules())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    let connected = Arc::new(AtomicBool::new(true));
    let living = tokio::spawn(live(broker.port(), connected.clone()));

    held(&mut mill, "its meter speaks only when its value changes").await?;
    mill.client.publish("meters/mill", "800").await?;
    becomes(&mut mill, "busy").await?;
    tokio::time::sleep(DWELL).await;
    let evidence = held(&mut mill, "800 W").await?;
    assert_eq!((&evidence["value"], &evidence["unchanged"]), (&800.0.into(), &true.into()), "{evidence}");

    let quiet = Instant::now();
    mill.client.publish("meters/mill", "12").await?;
    becomes(&mut mill, "idle").await?;
    assert!(quiet.elapsed() >= DWELL, "idle {:?} after the last value", quiet.elapsed());

    connected.store(false, Ordering::Relaxed);
    becomes(&mut mill, "unknown").await?;
    held(&mut mill, "the meter gave no sign of life for 3 s").await?;
    connected.store(true, Ordering::Relaxed);
    held(&mut mill, "until it sends a value again").await?;

    let quiet = Instant::now();
    mill.client.publish("meters/mill", "12").await?;
    becomes(&mut mill, "idle").await?;
    assert!(quiet.elapsed() >= DWELL, "idle {:?} after the first value it sent again", quiet.elapsed());
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    assert!(!living.is_finished(), "the meter lived to the end");
    guard.stop().await
}
