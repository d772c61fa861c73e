//! What a meter said and nobody could read, what nobody heard during an outage, what came late over a slow line.
//!
//! Could go wrong in the workshop: an idle reading from before goes on counting, and a press cuts a mill that has begun
//! to work. Judged by what was sent to the broker and what came to the outlet, and by nothing the guard says of itself.

use std::time::Duration;

use anyhow::Result;
use idlegate_plan::Plan;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::proxy::Proxy;
use idlegate_tests::shop::{Guard, MILL, Mill, plan_with};

const DWELL: Duration = Duration::from_secs(3);

/// The mill with a dwell that is longer than whatever a test does in between.
fn plan(port: u16) -> Result<Plan> {
    plan_with(port, &MILL.replace("300 ms", "3 s"))
}

/// A press that must switch nothing; says what people were told.
async fn held(mill: &mut Mill) -> Result<String> {
    // The same gesture again within two seconds would be the same gesture.
    tokio::time::sleep(Duration::from_millis(2_100)).await;
    press_is_held(mill).await
}

async fn press_is_held(mill: &mut Mill) -> Result<String> {
    mill.gesture("press").await?;
    let decision = mill.decision().await?;
    assert_eq!(decision["decision"], "held", "{decision}");
    let told = mill.hear_json("idlegate/announcement", |told| told["kind"] == "held").await?;
    Ok(told["sentence"].as_str().unwrap_or_default().to_owned())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_that_cannot_be_read_holds_the_off_until_a_whole_dwell_has_passed() -> Result<()> {
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    for payload in ["0,048", "overload"] {
        mill.draws("12", "idle").await?;
        mill.client.publish("meters/mill", payload).await?;
        let told = held(&mut mill).await?;
        assert!(told.contains("what the meter says is no number") && told.contains(payload), "{told}");
        let good = std::time::Instant::now();
        mill.draws("12", "idle").await?;
        assert!(
            good.elapsed() >= DWELL,
            "idle {:?} after the message that could not be read",
            good.elapsed()
        );
    }
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_dwell_runs_on_over_an_outage() -> Result<()> {
    let broker = Mosquitto::start()?;
    let proxy = Proxy::start(broker.port()).await?;
    let guard = Guard::start(plan(proxy.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    proxy.set(|conduct| conduct.refuse = true);
    proxy.cut();
    mill.hear_json("idlegate/health", |health| health["guard"] == "gone").await?;
    mill.client.publish("meters/mill", "800").await?;
    tokio::time::sleep(DWELL).await;
    proxy.set(|conduct| conduct.refuse = false);
    mill.hear_json("idlegate/health", |health| health["guard"] == "guarding").await?;
    mill.outlet_is("on").await?;
    press_is_held(&mut mill).await?;
    // A pause in the work, and nothing else.
    mill.client.publish("meters/mill", "12").await?;
    held(&mut mill).await?;
    tokio::time::sleep(Duration::from_millis(2_100)).await;
    mill.draws("12", "idle").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn over_a_slow_line_the_newest_reading_counts() -> Result<()> {
    let broker = Mosquitto::start()?;
    let proxy = Proxy::start(broker.port()).await?;
    let guard = Guard::start(plan(proxy.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    for lag in [150, 170, 190, 210, 230] {
        proxy.set(|conduct| conduct.delay = Duration::from_millis(lag));
        mill.draws("12", "idle").await?;
        for watts in ["12", "800"] {
            mill.client.publish("meters/mill", watts).await?;
            tokio::time::sleep(Duration::from_millis(250)).await;
        }
        press_is_held(&mut mill).await?;
    }
    guard.stop().await
}
