//! Inputs that have gone mad, and people who ask for what they may not: each costs itself, and nobody else.

use std::fmt::Write as _;
use std::time::Duration;

use anyhow::{Result, bail, ensure};
use idlegate_demo::workshop::Chance;
use idlegate_tests::client::Client;
use idlegate_tests::floor::{Floor, Machine, Meter, PATIENCE, Station, at_all, stretch};
use serde_json::Value as Json;
use tokio::sync::watch;
use tokio::time::{Instant, interval, sleep};

use super::{DWELL, Moments, two_gestures_force};
use crate::stage::Harm;

/// Machines that guests crowd around. Each has so many of them that this is enough.
const GUESTED: usize = 8;
/// Different things that a guest may ask for.
const WISHES: usize = 24;
/// Messages a second of a red button that has gone mad, and of a panel.
const RED_RATES: (u64, u64) = (600, 15_000);
const PANEL_RATES: (u64, u64) = (2_000, 30_000);
/// What the mad panel wants on. Other machines' people have nothing to do with it.
const WANTED: usize = 3;
/// Of so many messages at most one may have cost an order.
const MESSAGES_FOR_AN_ORDER_MIN: u32 = 10;

/// A red button of its own for this machine.
fn red(number: usize) -> String {
    format!(
        "[inputs.red-{number}]\ntopic = \"reds/{number}\"\nmachines = [\"machine-{number}\"]\nemergency = true\n\
         [inputs.red-{number}.gestures]\nopen = \"emergency-off\"\n"
    )
}

fn with_inputs(machines: Vec<Machine>, inputs: impl Fn(usize) -> String) -> Vec<Machine> {
    let own = |(number, machine)| Machine { inputs: inputs(number), ..machine };
    machines.into_iter().enumerate().map(own).collect()
}

/// One red button and one latching one repeat themselves as fast as the line takes it; others' are pushed meanwhile.
pub(crate) async fn red_button_gone_mad(mut given: Moments) -> Result<u32> {
    let machines = with_inputs(given.machines_of_all_kinds(), red);
    let (floor, mut stations) = Floor::open_in(&mut given.chance, &machines, Vec::new()).await?;
    let port = floor.broker.port();
    let mut ears = listens(port).await?;
    let sane = stations.split_off(2);
    let (over, ends) = watch::channel(false);
    let mut mad = Vec::new();
    let words: [(&str, &[&str]); 2] = [("reds/0", &["open"]), ("latches/1", &["pushed", "released"])];
    for (station, (topic, words)) in stations.into_iter().zip(words) {
        mad.push(tokio::spawn(goes_mad(port, given.chance.branch(), topic, words, RED_RATES, ends.clone())));
        mad.push(tokio::spawn(is_mad(station, ends.clone())));
    }
    let rounds = given.rounds * 2;
    let moments = u32::try_from(sane.len())? * rounds;
    let pushing = at_all(sane, |mut station| async move {
        for _ in 0..rounds {
            pushes(&mut station).await?;
            goes_on(&mut station).await?;
        }
        Ok(station)
    })
    .await;
    over.send_replace(true);
    let mut counts = Vec::new();
    for task in mad {
        counts.push(task.await??);
    }
    pushing?;
    for pair in counts.chunks(2) {
        let [sent, orders] = pair else { bail!("a count is missing") };
        ensure!(
            orders * MESSAGES_FOR_AN_ORDER_MIN < *sent,
            "{sent} messages of one button cost {orders} orders"
        );
        ensure!(*orders > 0, "{sent} messages of a red button, and no order");
    }
    is_still_connected(&mut ears, &floor)?;
    floor.close().await?;
    Ok(moments)
}

/// Its own machine is off, again and again. Says how many orders it was sent.
async fn is_mad(mut station: Station, mut ends: watch::Receiver<bool>) -> Result<u32> {
    station.is_meant_to_go_off(Instant::now());
    while !*ends.borrow_and_update() {
        station.passes(Duration::from_millis(100)).await?;
    }
    Ok(station.offs())
}

/// Somebody pushes the red button of this machine, of whichever kind, and it goes off.
async fn pushes(station: &mut Station) -> Result<()> {
    let works = station.chance.happens(0.7);
    station.works(works);
    station.passes_for(200, 4_000).await?;
    let latches = station.chance.happens(0.5);
    let pushed = Instant::now();
    station.is_meant_to_go_off(pushed);
    if latches {
        station.latch("pushed").await?;
    } else {
        station.publish(&format!("reds/{}", station.number()), "open").await?;
    }
    while !station.went_off_after(pushed) {
        if Instant::now() > pushed + PATIENCE {
            return Err(Harm::EmergencyRefused.into());
        }
        station.passes(Duration::from_millis(100)).await?;
    }
    station.may_not_go_on(Some("it was locked by its red button, and nobody had unlocked it"));
    station.passes_for(300, 1_500).await?;
    if latches {
        station.latch("released").await?;
    }
    station.is_not_meant_to_go_off();
    Ok(())
}

/// By spells, each as long and as fast as chance will have it. Says how many messages that were.
async fn goes_mad(
    port: u16,
    mut chance: Chance,
    topic: &'static str,
    words: &'static [&'static str],
    (slowest, fastest): (u64, u64),
    mut ends: watch::Receiver<bool>,
) -> Result<u32> {
    let mut voice = Client::connect(port).await?;
    let mut words = words.iter().cycle();
    let mut sent = 0;
    while !*ends.borrow_and_update() {
        let until = Instant::now() + stretch(&mut chance, 200, 1_200);
        let in_a_hundredth = (slowest + chance.number() % (fastest - slowest)) / 100;
        let mut beat = interval(Duration::from_millis(10));
        while Instant::now() < until {
            for word in words.by_ref().take(usize::try_from(in_a_hundredth)?) {
                voice.publish_at_most_once(topic, *word).await?;
                sent += 1;
            }
            beat.tick().await;
        }
        // Until the broker has read all of it.
        voice.publish("floods/over", "").await?;
        sleep(stretch(&mut chance, 50, 700)).await;
    }
    Ok(sent)
}

/// A panel wants some machines on, as fast as the broker takes it. People press, force and push red buttons meanwhile.
pub(crate) async fn panel_gone_mad(mut given: Moments) -> Result<u32> {
    let wanted: Vec<String> = (0..WANTED).map(|number| format!("\"machine-{number}\"")).collect();
    let panel = format!(
        "[inputs.mad-panel]\ntopic = \"floods\"\nmachines = [{}]\n[inputs.mad-panel.gestures]\non = \"on\"\n",
        wanted.join(", ")
    );
    let inputs = |number| if number == 0 { red(number) + &panel } else { red(number) };
    let machines = with_inputs(given.machines_of_all_kinds(), inputs);
    let (floor, stations) = Floor::open_in(&mut given.chance, &machines, Vec::new()).await?;
    let port = floor.broker.port();
    let mut ears = listens(port).await?;
    let (over, ends) = watch::channel(false);
    let mad = tokio::spawn(goes_mad(port, given.chance.branch(), "floods", &["on"], PANEL_RATES, ends));
    let rounds = given.rounds * 2;
    let moments = u32::try_from(stations.len())? * rounds;
    let work = at_all(stations, |mut station| async move {
        for _ in 0..rounds {
            match station.chance.number() % 3 {
                0 => pressed_at_rest(&mut station).await?,
                1 => forced(&mut station).await?,
                _ => pushes(&mut station).await?,
            }
            goes_on(&mut station).await?;
        }
        Ok(station)
    })
    .await;
    over.send_replace(true);
    let sent = mad.await??;
    work?;
    ensure!(sent > 10_000, "{sent} messages are no flood");
    let told = is_still_connected(&mut ears, &floor)?;
    ensure!(told.iter().any(|input| input == "mad-panel"), "a flood of {sent} was told of {told:?}");
    floor.close().await?;
    Ok(moments)
}

async fn pressed_at_rest(station: &mut Station) -> Result<()> {
    station.works(false);
    station.passes_for(0, 3_000).await?;
    let begin = Instant::now();
    while !station.went_off_after(begin) {
        ensure!(Instant::now() < begin + PATIENCE, "machine {} stands idle and stays on", station.number());
        station.press().await?;
        station.passes_for(600, 1_200).await?;
    }
    Ok(())
}

async fn forced(station: &mut Station) -> Result<()> {
    station.works(true);
    station.passes_for(500, 3_000).await?;
    two_gestures_force(station).await
}

/// Unlocked, and wanted on by somebody.
async fn goes_on(station: &mut Station) -> Result<()> {
    station.may_not_go_on(None);
    let begin = Instant::now();
    while station.is_off() {
        ensure!(Instant::now() < begin + PATIENCE, "machine {} is unlocked, and stays off", station.number());
        station.panel("unlock").await?;
        station.panel("on").await?;
        station.passes(Duration::from_millis(900)).await?;
    }
    Ok(())
}

async fn listens(port: u16) -> Result<Client> {
    let mut ears = Client::connect(port).await?;
    for topic in ["idlegate/health", "idlegate/incident"] {
        ears.subscribe(topic).await?;
    }
    Ok(ears)
}

/// The guard's connection never ended. Which inputs people were told of that have flooded it.
fn is_still_connected(ears: &mut Client, floor: &Floor) -> Result<Vec<String>> {
    let log = || floor.process().and_then(|process| process.log_end().ok()).unwrap_or_default();
    let mut told = Vec::new();
    while let Some(message) = ears.try_message() {
        let said: Json = serde_json::from_slice(&message.payload)?;
        // The broker says that in the guard's place.
        ensure!(said["guard"] != "gone", "the guard lost its connection:\n{}", log());
        if said["kind"] == "flood" {
            told.push(said["input"].as_str().unwrap_or_default().to_owned());
        }
    }
    Ok(told)
}

/// Guests ask for what they may not, and for so many things that they may that no memory holds them all; whoever means
/// it forces.
pub(crate) async fn guests(mut given: Moments) -> Result<u32> {
    let machine = |number| Machine {
        more: "[guard]\nrepeat_guard = \"2s\"".to_owned(),
        inputs: guests_of(number),
        ..Machine::with(Meter::any(&mut given.chance), DWELL)
    };
    let machines: Vec<Machine> = (0..GUESTED).map(machine).collect();
    let (floor, stations) = Floor::open(&mut given.chance, &machines).await?;
    let (port, rounds) = (floor.broker.port(), given.rounds * 2);
    let (_, moments) = at_all(stations, |mut station| async move {
        let asking = tokio::spawn(guests_ask(port, station.number(), station.chance.branch()));
        for _ in 0..rounds {
            station.works(true);
            station.passes_for(2_000, 4_000).await?;
            two_gestures_force(&mut station).await?;
            station.is_on_again().await?;
        }
        ensure!(!asking.is_finished(), "the guests had gone");
        asking.abort();
        Ok(station)
    })
    .await?;
    floor.close().await?;
    Ok(moments)
}

fn guests_of(number: usize) -> String {
    let mut inputs = String::new();
    let machines = format!("machines = [\"machine-{number}\"]");
    for guest in ["a", "b", "c"] {
        let (visitor, name) = (format!("visitor-{guest}-{number}"), format!("guest-{guest}-{number}"));
        // Writing to a string cannot fail.
        let _ = write!(
            inputs,
            "[inputs.{visitor}]\nplace = \"shop\"\n{machines}\n\
             [inputs.{name}]\ntopic = \"guests/{guest}/{number}\"\n{machines}\n[inputs.{name}.gestures]\n"
        );
        (0..WISHES).for_each(|wish| inputs.push_str(&format!("wish-{wish} = \"cancel\"\n")));
    }
    inputs
}

async fn guests_ask(port: u16, number: usize, mut chance: Chance) -> Result<()> {
    let mut voice = Client::connect(port).await?;
    let asks = [("force-off", 3), ("lock", 5), ("unlock", 7), ("emergency-off", 11)];
    let guests = ["a", "b", "c"];
    for nth in 0_usize.. {
        let guest = guests[nth % guests.len()];
        let wish = format!("wish-{}", nth / guests.len() % WISHES);
        voice.publish_at_most_once(&format!("guests/{guest}/{number}"), wish).await?;
        if let Some((ask, _)) = asks.iter().find(|(_, every)| nth.is_multiple_of(*every)) {
            let body = format!(r#"{{"machine":"machine-{number}","request":"{ask}"}}"#);
            voice.publish_at_most_once(&format!("idlegate/request/visitor-{guest}-{number}"), body).await?;
        }
        sleep(stretch(&mut chance, 5, 35)).await;
    }
    Ok(())
}
