//! The whole guard on real brokers, with the real detector in its sandbox.
//!
//! Could go wrong in the workshop: an idle mill stays on, a working one goes off, a person is not told why or
//! cannot get out, an emergency is not obeyed, a restart forgets a lockout or switches something by itself.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use anyhow::Result;
use idlegate_plan::ValuePath;
use idlegate_tests::broker::{Embedded, Mosquitto, MosquittoSettings, free_port};
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, Mill, plan};

/// Everything below holds on both brokers.
macro_rules! on_both_brokers {
    ($($story:ident),* $(,)?) => {
        mod on_mosquitto {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $story() -> anyhow::Result<()> {
                let broker = idlegate_tests::broker::Mosquitto::start()?;
                super::$story(broker.port()).await
            })*
        }
        mod on_the_embedded_broker {
            $(#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $story() -> anyhow::Result<()> {
                let broker = idlegate_tests::broker::Embedded::start().await?;
                super::$story(broker.port()).await
            })*
        }
    };
}

on_both_brokers! {
    an_idle_mill_goes_off_at_a_press,
    a_working_mill_stays_on_and_a_second_deliberate_gesture_switches_it_off,
    what_is_told_of_a_window_expires_with_it_and_says_what_it_is,
    a_pack_that_ends_in_a_pause_does_not_hide_the_work_before_it,
    a_stored_press_is_not_a_press,
    a_request_is_answered_to_the_one_who_asked,
    an_emergency_is_obeyed_and_its_lockout_survives_a_restart,
    what_is_kept_on_is_held_while_idle_across_a_restart_until_somebody_takes_it_back,
}

async fn an_idle_mill_goes_off_at_a_press(port: u16) -> Result<()> {
    let guard = Guard::start(plan(port)?, None)?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    mill.gesture("press").await?;
    let order = mill.order().await?;
    assert_eq!(order.payload, "off");
    assert!(!order.retain, "a stored off would switch again at the outlet's next start");
    let expiry = order.properties.and_then(|properties| properties.message_expiry_interval);
    assert!(expiry.is_some_and(|secs| secs <= 5), "an off must not arrive hours later: {expiry:?}");
    mill.outlet_is("off").await?;
    guard.stop().await
}

async fn a_working_mill_stays_on_and_a_second_deliberate_gesture_switches_it_off(port: u16) -> Result<()> {
    let guard = Guard::start(plan(port)?, None)?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("450", "busy").await?;
    mill.gesture("press").await?;
    let told = mill.hear_json("idlegate/announcement", |told| told["kind"] == "held").await?;
    let sentence = told["sentence"].as_str().unwrap();
    assert!(sentence.contains("450 W, busy above 100 W") && sentence.contains("10 s"), "{sentence}");
    // The window of 10 s and the long press after a press are common practice, no source.
    tokio::time::sleep(std::time::Duration::from_millis(1_200)).await;
    mill.gesture("long-press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

/// A phone whose session the broker keeps must not tell at breakfast what was held at two in the morning.
async fn what_is_told_of_a_window_expires_with_it_and_says_what_it_is(port: u16) -> Result<()> {
    let guard = Guard::start(plan(port)?, None)?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("450", "busy").await?;
    mill.gesture("press").await?;
    let mut awaited = vec!["idlegate/announcement", "idlegate/decision"];
    while !awaited.is_empty() {
        let message = mill.client.message().await?;
        let Some(at) = awaited.iter().position(|topic| message.topic == *topic) else { continue };
        awaited.remove(at);
        let properties = message.properties.unwrap_or_default();
        let expiry = properties.message_expiry_interval;
        assert!(expiry.is_some_and(|secs| secs <= 10), "the window is open for 10 s: {expiry:?}");
        assert_eq!(properties.content_type.as_deref(), Some("application/json"));
        assert_eq!(properties.payload_format_indicator, Some(1));
    }
    guard.stop().await
}

/// What a meter has gathered comes in one message: seven readings of a cut, and one of the pause after it.
async fn a_pack_that_ends_in_a_pause_does_not_hide_the_work_before_it(port: u16) -> Result<()> {
    let mut rules = plan(port)?;
    rules.machines[0].signals[0].source.path = ValuePath::SenmlName("mill/power".to_owned());
    let guard = Guard::start(rules, None)?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws(r#"[{"n":"mill/power","u":"W","v":3}]"#, "idle").await?;
    let work = [r#"{"n":"mill/power","u":"kW","v":0.455}"#; 7].join(",");
    mill.client.publish("meters/mill", format!(r#"[{work},{{"n":"mill/power","u":"W","v":3}}]"#)).await?;
    mill.gesture("press").await?;
    mill.hear_json("idlegate/announcement", |told| told["kind"] == "held").await?;
    guard.stop().await
}

async fn a_stored_press_is_not_a_press(port: u16) -> Result<()> {
    let mut early = Client::connect(port).await?;
    early.publish_retained("buttons/mill", "press").await?;
    let guard = Guard::start(plan(port)?, None)?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    // One that is sent to be stored while the guard listens is answered, and not obeyed.
    early.publish_retained("buttons/mill", "press").await?;
    let decision = mill.decision().await?;
    assert_eq!((&decision["decision"], &decision["reason"]), (&"ignored".into(), &"retained".into()));
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

async fn a_request_is_answered_to_the_one_who_asked(port: u16) -> Result<()> {
    let guard = Guard::start(plan(port)?, None)?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("450", "busy").await?;
    let answer = mill.asks("off").await?;
    assert_eq!(answer["decision"], "held");
    let reading = &answer["detectors"][0]["readings"][0];
    assert_eq!((&reading["value"], &reading["unit"]), (&450.0.into(), &"W".into()), "{answer}");
    let answer = mill.asks("force-off").await?;
    assert_eq!((&answer["decision"], &answer["reason"]), (&"refused".into(), &"may-not-force".into()));
    guard.stop().await
}

async fn an_emergency_is_obeyed_and_its_lockout_survives_a_restart(port: u16) -> Result<()> {
    let state = tempfile::tempdir()?;
    let guard = Guard::start(plan(port)?, Some(state.path().to_owned()))?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("450", "busy").await?;
    mill.client.publish("contacts/red", "open").await?;
    assert_eq!(mill.order().await?.payload, "off");
    let answer = mill.decision().await?;
    assert_eq!((&answer["decision"], &answer["stored"]), (&"acted".into(), &true.into()));
    mill.outlet_is("off").await?;
    guard.stop().await?;
    drop(mill);

    let guard = Guard::start(plan(port)?, Some(state.path().to_owned()))?;
    let mut mill = Mill::meet(port).await?;
    let answer = mill.asks("on").await?;
    assert_eq!((&answer["decision"], &answer["reason"]), (&"refused".into(), &"lockout".into()));
    assert_eq!(mill.asks("unlock").await?["decision"], "acted");
    // The same request from the same input sooner than two seconds later would count as the same.
    tokio::time::sleep(std::time::Duration::from_millis(2_100)).await;
    // Nothing in between has switched anything: an unexpected order would have ended the wait for the answers.
    assert_eq!(mill.asks("on").await?["decision"], "acted");
    assert_eq!(mill.order().await?.payload, "on");
    guard.stop().await
}

async fn what_is_kept_on_is_held_while_idle_across_a_restart_until_somebody_takes_it_back(
    port: u16,
) -> Result<()> {
    let state = tempfile::tempdir()?;
    let guard = Guard::start(plan(port)?, Some(state.path().to_owned()))?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    let asked = serde_json::json!({ "machine": "mill", "request": "keep-on", "for_s": 3_600 });
    let answer = mill.asks_for(&asked).await?;
    assert_eq!((&answer["decision"], &answer["reason"]), (&"acted".into(), &"keeping-on".into()));
    mill.gesture("press").await?;
    let held = mill.hear_json("idlegate/decision", |decision| decision["input"] == "button").await?;
    let sentence = held["sentence"].as_str().unwrap();
    assert!(sentence.starts_with("Mill stays on: it is kept on for another "), "{sentence}");
    assert!(sentence.ends_with(", because console asked for it."), "{sentence}");
    guard.stop().await?;

    let guard = Guard::start(plan(port)?, Some(state.path().to_owned()))?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    // All that the meter says is that it is idle.
    mill.draws("12", "busy").await?;
    mill.gesture("press").await?;
    let held = mill.hear_json("idlegate/decision", |decision| decision["input"] == "button").await?;
    assert_eq!(held["reason"], "kept-on", "{held}");
    assert_eq!(mill.asks("cancel").await?["reason"], "keep-on-cancelled");
    mill.draws("12", "idle").await?;
    mill.gesture("long-press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_dies_switches_nothing_and_is_found_again() -> Result<()> {
    let port = free_port()?;
    let mut broker = Mosquitto::start_on(port, &MosquittoSettings::default())?;
    let guard = Guard::start(plan(port)?, None)?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    broker.kill();
    broker.run()?;
    let mut mill = Mill::meet(port).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_guard_that_goes_says_so() -> Result<()> {
    let broker = Embedded::start().await?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    guard.stop().await?;
    mill.hear_json("idlegate/health", |health| health["guard"] == "gone").await?;
    Ok(())
}
