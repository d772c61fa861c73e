//! What a broker has in store, and what comes in live with the mark of it.
//!
//! Could go wrong in the workshop: a smoke contact that has everything stored is never heard; last week's press comes back over a
//! bridge between two brokers and switches; a meter that stores its readings is taken for one that says nothing.

use anyhow::Result;
use idlegate_tests::broker::{Mosquitto, MosquittoSettings};
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, MILL, Mill, plan, plan_with};

#[tokio::test]
async fn a_contact_that_has_everything_stored_cuts_when_it_opens_and_not_because_it_was_open() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut contact = Client::connect(broker.port()).await?;
    contact.publish_retained("contacts/red", "open").await?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("800", "busy").await?;
    // Had it been obeyed, its order would have come before the answer to a question that was asked after it.
    assert_eq!(mill.asks("off").await?["decision"], "held");

    contact.publish_retained("contacts/red", "closed").await?;
    contact.publish_retained("contacts/red", "open").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}

#[tokio::test]
async fn readings_that_come_marked_as_stored_count_where_the_rules_say_so_and_are_explained_where_not()
-> Result<()> {
    for stores in [false, true] {
        let broker = Mosquitto::start()?;
        let rules = MILL.replace("stale_after", &format!("sender_stores = {stores}\nstale_after"));
        let guard = Guard::start(plan_with(broker.port(), &rules)?, None)?;
        let mut mill = Mill::meet(broker.port()).await?;
        mill.outlet_is("on").await?;
        let mut meter = Client::connect(broker.port()).await?;
        for _ in 0..30 {
            meter.publish_retained("meters/mill", "12").await?;
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        }
        if stores {
            mill.gesture("press").await?;
            assert_eq!(mill.order().await?.payload, "off");
        } else {
            let answer = mill.asks("off").await?;
            assert_eq!(answer["decision"], "held", "{answer}");
            let told = answer["sentence"].as_str().unwrap_or_default();
            assert!(told.contains("sender_stores = true"), "{told}");
        }
        guard.stop().await?;
    }
    Ok(())
}

#[tokio::test]
async fn a_stored_press_that_a_bridge_brings_back_is_not_obeyed_and_a_live_one_is() -> Result<()> {
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;

    let bridge = Some((broker.port(), "buttons/#".to_owned()));
    let far = Mosquitto::start_with(&MosquittoSettings { bridge, ..MosquittoSettings::default() })?;
    let mut button = Client::connect(far.port()).await?;
    button.publish_retained("buttons/mill", "press").await?;
    let decision = mill.decision().await?;
    assert_eq!(
        (&decision["decision"], &decision["reason"]),
        (&"ignored".into(), &"retained".into()),
        "{decision}"
    );
    mill.draws("12", "idle").await?;
    assert_eq!(mill.asks("cancel").await?["decision"], "nothing-to-do", "no order came before this answer");

    button.publish("buttons/mill", "press").await?;
    assert_eq!(mill.order().await?.payload, "off");
    guard.stop().await
}
