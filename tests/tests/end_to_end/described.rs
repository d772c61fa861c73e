//! Every message of ours says what it is, as the AsyncAPI document promises: read from a real broker, property by
//! property.
//!
//! Could go wrong in the workshop: a phone with a stored session reads out at noon what was announced at night; a tool
//! takes a message for something else; a stand-by takes the other's order for a stranger's.

use std::collections::BTreeSet;

use anyhow::{Context, Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use idlegate_tests::shop::{Mill, write_rules};
use rumqttc::v5::mqttbytes::v5::Publish;
use serde_json::{Value as Json, json};
use tempfile::tempdir;

fn document() -> Result<Json> {
    Ok(serde_json::from_str(include_str!("../../../daemon/asyncapi.json"))?)
}

/// The channel that the document has for this topic, if we are the ones who publish there.
fn channel(document: &Json, topic: &str) -> Option<String> {
    if topic.starts_with("idlegate/answer/") {
        return Some("answer".to_owned());
    }
    let channels = document["channels"].as_object()?;
    let fits = |address: &str| {
        let address = address.replace("{prefix}", "idlegate").replace("{order-topic}", "outlets/mill/order");
        let levels = |text: &str| text.split('/').map(str::to_owned).collect::<Vec<_>>();
        let (address, topic) = (levels(&address), levels(topic));
        let same = |(one, other): (&String, &String)| one == other || one.starts_with('{');
        address.len() == topic.len() && address.iter().zip(&topic).all(same)
    };
    let found = channels.iter().filter(|(name, _)| !["request", "refresh"].contains(&name.as_str()));
    found
        .filter_map(|(name, channel)| Some((name, channel["address"].as_str()?)))
        .find(|(_, address)| fits(address))
        .map(|(name, _)| name.clone())
}

/// Whether it is as the document says.
fn assert_described(document: &Json, channel: &str, message: &Publish) -> Result<()> {
    let topic = String::from_utf8_lossy(&message.topic);
    let properties = message.properties.as_ref().with_context(|| format!("{topic}: no properties"))?;
    let (name, _) = document["channels"][channel]["messages"]
        .as_object()
        .and_then(|messages| messages.iter().next())
        .with_context(|| format!("{channel} has no message"))?;
    let described = &document["components"]["messages"][name];
    let binding = &described["bindings"]["mqtt"];
    ensure!(json!(properties.content_type) == described["contentType"], "{topic}: {properties:?}");
    ensure!(binding["contentType"] == described["contentType"], "{name}: two content types");
    ensure!(
        json!(properties.payload_format_indicator) == binding["payloadFormatIndicator"],
        "{topic}: {properties:?}"
    );
    // The answer to a request is the decision over again.
    let sends = if channel == "answer" { "send-decision".to_owned() } else { format!("send-{channel}") };
    let expiry = &document["operations"][&sends]["bindings"]["mqtt"]["messageExpiryInterval"];
    match (properties.message_expiry_interval, expiry["maximum"].as_u64()) {
        (Some(secs), Some(most)) => ensure!((1..=most).contains(&u64::from(secs)), "{topic}: {secs} s"),
        (expiry, promised) => ensure!(expiry.is_none() && promised.is_none(), "{topic}: {expiry:?}"),
    }
    if described["contentType"] == "application/json" {
        let payload: Json = serde_json::from_slice(&message.payload)?;
        let validator =
            jsonschema::draft7::options().should_validate_formats(true).build(&described["payload"])?;
        let faults: Vec<_> = validator.iter_errors(&payload).map(|fault| fault.to_string()).collect();
        ensure!(faults.is_empty(), "{topic}: {faults:?} in {payload:#}");
    }
    for header in described["headers"]["required"].as_array().into_iter().flatten() {
        let there =
            properties.user_properties.iter().any(|(name, value)| *header == **name && value == "idlegate");
        ensure!(there, "{topic}: {properties:?}");
    }
    Ok(())
}

#[tokio::test]
async fn every_message_has_the_properties_that_are_promised() -> Result<()> {
    let (broker, document) = (Mosquitto::start()?, document()?);
    let (rules, state) = (tempdir()?, tempdir()?);
    write_rules(rules.path(), broker.port())?;
    let mut listener = Client::connect(broker.port()).await?;
    listener.subscribe("#").await?;
    let daemon = Process::start_with(rules.path(), state.path(), &["--stand-by", "left"])?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("12", "idle").await?;
    assert_eq!(mill.asks("off").await?["decision"], "acted");
    mill.outlet_is("off").await?;
    // Nobody asked for that.
    mill.outlet_is("on").await?;
    mill.draws("800", "busy").await?;
    mill.gesture("press").await?;
    assert_eq!(mill.decision().await?["decision"], "held");
    let lock = json!({ "machine": "mill", "request": "lock", "id": "7" }).to_string();
    mill.client.publish("idlegate/request/console", lock).await?;
    mill.hear_json("idlegate/decision", |decision| decision["request"] == "lock").await?;
    // Killed: its last wills are the last that is heard of it.
    drop(daemon);

    let mut seen = BTreeSet::new();
    let mut gone = BTreeSet::new();
    while gone.len() < 2 {
        let message = listener.message().await?;
        let topic = String::from_utf8_lossy(&message.topic).into_owned();
        let Some(channel) = channel(&document, &topic) else { continue };
        assert_described(&document, &channel, &message)?;
        let body: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
        if body["guard"] == "gone" || body["role"] == "gone" {
            gone.insert(topic);
        }
        seen.insert(channel);
    }
    let all = [
        "announcement",
        "answer",
        "answered",
        "decision",
        "health",
        "incident",
        "kept",
        "machine",
        "marker",
        "order",
    ];
    let all: BTreeSet<String> = all.into_iter().chain(["stand-by"]).map(str::to_owned).collect();
    let missing: Vec<_> = all.difference(&seen).collect();
    assert!(missing.is_empty(), "not heard: {missing:?}");
    Ok(())
}
