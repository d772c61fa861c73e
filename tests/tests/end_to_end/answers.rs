//! Where answers go.
//!
//! Could go wrong in the workshop: a script that may only ask has its answers sent to an outlet, to another input, or
//! over the note that keeps a machine locked; and the guard, which may publish anywhere, does it.

use anyhow::Result;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, Mill, plan};
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::Value as Json;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_answer_never_goes_where_somebody_acts_on_it() -> Result<()> {
    let broker = Mosquitto::start()?;
    let guard = Guard::start(plan(broker.port())?, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    let victims = [
        "outlets/mill/order",
        "meters/mill",
        "buttons/mill",
        "idlegate/kept/mill",
        "idlegate/health",
        "idlegate/stand-by/left",
    ];
    let mut hears = Client::connect(broker.port()).await?;
    for topic in victims {
        hears.subscribe(topic).await?;
    }
    for (number, topic) in victims.into_iter().enumerate() {
        let properties =
            PublishProperties { response_topic: Some(topic.to_owned()), ..PublishProperties::default() };
        let body = format!(r#"{{"machine":"mill","request":"cancel","id":"{number}"}}"#);
        mill.client.publish_with("idlegate/request/console", &body, properties).await?;
        // It is judged like any other.
        assert_eq!(mill.decision().await?["id"], number.to_string());
    }
    // Whatever was sent before this answer has arrived by now.
    assert_eq!(mill.asks("cancel").await?["machine"], "mill");
    while let Some(message) = hears.try_message() {
        let body: Json = serde_json::from_slice(&message.payload).unwrap_or_default();
        assert!(body["decision"].is_null(), "an answer on {:?}", message.topic);
    }
    let health = mill.hear_json("idlegate/health", |health| health["answers_withheld"].is_object()).await?;
    assert_eq!(health["answers_withheld"]["count"], victims.len());
    assert_eq!(health["answers_withheld"]["input"], "console");
    guard.stop().await
}
