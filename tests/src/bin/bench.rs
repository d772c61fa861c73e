//! How long a press takes to become a command, beside a bare client that bounces a message over the same two hops
//! of the same broker: the least that is possible. Pairs are measured in turn, so that a noisy computer is noisy
//! for both. Prints figures and their ratio; only a guard that does not answer at all is a failure.
//!
//! `bench [--short] [--json FILE]`

use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail};
use idlegate::plan::{Gesture, Input, InputSource, Plan, Source, ValuePath};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, plan};
use rumqttc::NetworkOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Publish;
use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions};

/// As many buttons, so that no press is the same gesture as one of the last two seconds.
const BUTTONS: usize = 400;
/// Between two pairs; the detector needs a reading now and then.
const PAUSE: Duration = Duration::from_millis(10);

fn main() -> Result<()> {
    let arguments = Arguments::parse()?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(measure(&arguments))
}

struct Arguments {
    pairs: usize,
    json: Option<PathBuf>,
}

impl Arguments {
    fn parse() -> Result<Arguments> {
        let mut arguments = Arguments { pairs: 4_000, json: None };
        let mut given = std::env::args().skip(1);
        while let Some(argument) = given.next() {
            match argument.as_str() {
                "--short" => arguments.pairs = 400,
                "--json" => arguments.json = Some(given.next().context("--json needs a file")?.into()),
                other => bail!("unknown argument {other}; there are --short and --json FILE"),
            }
        }
        Ok(arguments)
    }
}

async fn measure(arguments: &Arguments) -> Result<()> {
    let broker = Mosquitto::start()?;
    let port = broker.port();
    let guard = Guard::start(with_buttons(plan(port)?), None)?;
    let bounce = tokio::spawn(bounce(port));
    let mut client = Client::connect(port).await?;
    for topic in ["outlets/mill/command", "bench/out", "idlegate/health"] {
        client.subscribe(topic).await?;
    }
    expect(&mut client, "idlegate/health").await?;

    let (mut pressed, mut bounced, mut held) = (Vec::new(), Vec::new(), 0_usize);
    for pair in 0..arguments.pairs {
        // An idle mill that is on, as the guard sees it.
        client.publish("outlets/mill/state", "on").await?;
        client.publish("meters/mill", "12").await?;
        tokio::time::sleep(PAUSE).await;

        let began = Instant::now();
        client.publish_at_most_once("bench/in", "x").await?;
        expect(&mut client, "bench/out").await?;
        bounced.push(began.elapsed());

        let began = Instant::now();
        client.publish_at_most_once(&format!("bench/button/{}", pair % BUTTONS), "press").await?;
        match tokio::time::timeout(Duration::from_secs(1), expect(&mut client, "outlets/mill/command")).await
        {
            Ok(command) => {
                command?;
                pressed.push(began.elapsed());
            }
            // The detector has not seen enough quiet yet, or the computer was elsewhere for too long.
            Err(_) => held += 1,
        }
        client.publish("outlets/mill/state", "off").await?;
    }
    bounce.abort();
    guard.stop().await?;
    report(arguments, &mut pressed, &mut bounced, held)
}

fn report(
    arguments: &Arguments,
    pressed: &mut [Duration],
    bounced: &mut [Duration],
    held: usize,
) -> Result<()> {
    if pressed.len() < arguments.pairs / 2 {
        bail!("only {} of {} presses became commands", pressed.len(), arguments.pairs);
    }
    println!("{:<28} {:>10} {:>10} {:>10}", "through Mosquitto", "p50 µs", "p99 µs", "p99.9 µs");
    let mut figures = serde_json::Map::new();
    let mut row = |name: &str, samples: &mut [Duration]| {
        samples.sort_unstable();
        let at = |share: f64| {
            // The nearest rank: the smallest sample that at least this share of all does not exceed.
            let rank = (share * samples.len() as f64).ceil().max(1.0);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a rank within the list"
            )]
            let index = (rank as usize - 1).min(samples.len() - 1);
            samples[index].as_secs_f64() * 1e6
        };
        let quantiles = [at(0.5), at(0.99), at(0.999)];
        println!("{name:<28} {:>10.0} {:>10.0} {:>10.0}", quantiles[0], quantiles[1], quantiles[2]);
        figures.insert(name.to_owned(), quantiles.to_vec().into());
        quantiles
    };
    let guard = row("press to command", pressed);
    let bare = row("bare bounce", bounced);
    let ratios: Vec<f64> = guard.iter().zip(&bare).map(|(guard, bare)| guard / bare).collect();
    println!("{:<28} {:>10.2} {:>10.2} {:>10.2}", "ratio", ratios[0], ratios[1], ratios[2]);
    figures.insert("ratio".to_owned(), ratios.into());
    if let Some(file) = &arguments.json {
        std::fs::write(file, serde_json::Value::Object(figures).to_string())?;
    }
    println!("bench: {} presses measured, {held} held for lack of quiet readings", pressed.len());
    Ok(())
}

/// The plan of the test shop with many more buttons.
fn with_buttons(mut plan: Plan) -> Plan {
    let model = plan.inputs.iter().find(|input| input.name.as_str() == "button").cloned();
    let model = model.expect("the test shop has a button");
    for number in 0..BUTTONS {
        let press: Vec<Gesture> =
            model.gestures.iter().filter(|gesture| gesture.name.as_str() == "press").cloned().collect();
        let source = Source { filter: format!("bench/button/{number}"), path: ValuePath::Whole };
        plan.inputs.push(Input {
            name: idlegate::event::Name::new(&format!("button-{number}")).expect("a plain word"),
            source: InputSource::Topic { source, event_id: None },
            gestures: press,
            ..model.clone()
        });
    }
    plan
}

async fn expect(client: &mut Client, topic: &str) -> Result<Publish> {
    loop {
        let message = client.message().await?;
        if message.topic == topic {
            return Ok(message);
        }
    }
}

/// The reference: what the client library and the broker take by themselves, with the qualities of service the
/// guard uses.
async fn bounce(port: u16) -> Result<()> {
    let mut options = MqttOptions::new("bounce", "127.0.0.1", port);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    options.set_network_options(network).set_keep_alive(DEADLINE).set_outgoing_inflight_upper_limit(20);
    let (client, mut events) = AsyncClient::new(options, 20);
    client.subscribe("bench/in", QoS::AtMostOnce).await?;
    loop {
        if let Event::Incoming(Incoming::Publish(_)) = events.poll().await? {
            client.try_publish("bench/out", QoS::AtLeastOnce, false, "x")?;
        }
    }
}
