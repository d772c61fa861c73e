//! The access list of `examples/access-list`, on the broker it is written for.
//!
//! Could go wrong in the workshop: a panel, a script or somebody's telephone switches an outlet past the guard, a
//! button asks in another button's name or speaks for a meter, or somebody reads an answer that was not for him.
//!
//! Each login tries every topic of the workshop. The broker confirms a message that it does not let through like any
//! other, so what counts is what a user arrives at who hears everything.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::{Context as _, Result, ensure};
use idlegate_plan::{InputSource, Login, Plan, Secret};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Mosquitto, MosquittoSettings};
use idlegate_tests::client::Client;
use idlegate_tests::shop::{Guard, plan};
use tokio::time::timeout;

const ACCESS_LIST: &str = include_str!("../../../examples/access-list/access-list");
const WORKSHOP: [&str; 7] = [
    include_str!("../../../examples/workshop/shop.toml"),
    include_str!("../../../examples/workshop/inputs.toml"),
    include_str!("../../../examples/workshop/machines/dust-extractor.toml"),
    include_str!("../../../examples/workshop/machines/filament-printer.toml"),
    include_str!("../../../examples/workshop/machines/kiln.toml"),
    include_str!("../../../examples/workshop/machines/laser-cutter.toml"),
    include_str!("../../../examples/workshop/machines/mill.toml"),
];
/// Of our own interface, with names that are somebody's and names that are nobody's.
const OURS: [&str; 16] = [
    "idlegate/health",
    "idlegate/machine/mill",
    "idlegate/decision",
    "idlegate/incident",
    "idlegate/announcement",
    "idlegate/request/console",
    "idlegate/request/bench-button",
    "idlegate/answer/console/1",
    "idlegate/answer/bench-button/1",
    "idlegate/stand-by/other",
    "idlegate/kept/mill",
    "idlegate/answered/console",
    "idlegate/answered/console/page/0",
    "idlegate/link/idlegate_red/marker",
    "idlegate/probe/expiry",
    "idlegate/invented",
];

/// A login that may do everything, and one that the list does not name.
const JUDGE: &str = "judge";
const STRANGER: &str = "stranger";

fn users() -> Vec<&'static str> {
    let named = ACCESS_LIST.lines().filter_map(|line| line.strip_prefix("user "));
    named.chain([JUDGE, STRANGER]).collect()
}

fn broker() -> Result<Mosquitto> {
    broker_with(ACCESS_LIST)
}

fn broker_with(list: &str) -> Result<Mosquitto> {
    Mosquitto::start_with(&MosquittoSettings {
        users: users().iter().map(|user| ((*user).to_owned(), format!("{user}-secret"))).collect(),
        access_list: Some(format!("{list}\nuser {JUDGE}\ntopic readwrite #\n")),
        ..MosquittoSettings::default()
    })
}

async fn join(broker: &Mosquitto, user: &str) -> Result<Client> {
    Client::connect_as(broker.port(), user, Some((user, &format!("{user}-secret")))).await
}

/// Every topic that the rules of the example name, read from their text, and ours.
fn topics() -> BTreeSet<&'static str> {
    let quoted = WORKSHOP.iter().flat_map(|text| {
        let behind = text.match_indices("topic").map(|(at, word)| &text[at + word.len()..]);
        behind.filter_map(|rest| {
            rest.trim_start().strip_prefix('=')?.trim_start().strip_prefix('"')?.split('"').next()
        })
    });
    quoted.chain(OURS).collect()
}

/// What a device has to say to do its work, and not a topic more.
fn has_to_say(user: &str) -> Vec<String> {
    let every = |kind: &str| {
        topics().into_iter().filter(|topic| topic.contains(kind)).map(str::to_owned).collect::<Vec<_>>()
    };
    match user.split_once('-') {
        Some(("outlet", name)) => vec![format!("meters/{name}"), format!("outlets/{name}/says")],
        Some(("button", name)) => vec![format!("buttons/{name}")],
        Some(("contact", name)) => vec![format!("contacts/{name}")],
        Some(("input", name)) => vec![format!("idlegate/request/{name}")],
        _ if user == "idlegate" => [every("/order"), every("idlegate/")].concat(),
        // The connection that is kept for emergencies, which proves itself by markers of its own.
        _ if user == "idlegate-red" => [every("/order"), every("idlegate/link/")].concat(),
        _ => Vec::new(),
    }
}

#[tokio::test]
async fn each_login_says_what_its_device_has_to_say_and_nothing_else() -> Result<()> {
    let broker = broker()?;
    let topics = topics();
    assert!(topics.len() > 25, "the topics of the example are found: {topics:?}");
    let mut judge = join(&broker, JUDGE).await?;
    judge.subscribe("#").await?;
    let mut heard: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for user in users().into_iter().filter(|user| *user != JUDGE) {
        let mut sender = join(&broker, user).await?;
        for topic in &topics {
            sender.publish(topic, user).await?;
        }
        // Its own messages have all been judged before this one is sent.
        judge.publish("end", user).await?;
        loop {
            let message = judge.message().await?;
            if message.topic == "end" {
                break;
            }
            assert_eq!(message.payload, user);
            heard.entry(user.to_owned()).or_default().push(String::from_utf8(message.topic.to_vec())?);
        }
    }
    for user in users().into_iter().filter(|user| *user != JUDGE) {
        let mut said = heard.remove(user).unwrap_or_default();
        said.sort();
        let mut expected = has_to_say(user);
        expected.sort();
        assert_eq!(said, expected, "{user}");
    }
    Ok(())
}

/// The test shop with the red button of the example, and the logins that the list has for Idlegate.
fn shop(broker: &Mosquitto) -> Result<Plan> {
    let login =
        |user: &str| Some(Login { user: user.to_owned(), password: Secret::new(format!("{user}-secret")) });
    let mut plan = plan(broker.port())?;
    plan.shop.broker.login = login("idlegate");
    plan.shop.broker.emergency_login = login("idlegate-red");
    let red = plan.inputs.iter_mut().find(|input| input.name.as_str() == "red-button");
    let InputSource::Topic { source, .. } = &mut red.context("no red button")?.source else { unreachable!() };
    source.filter = "contacts/red-button".into();
    Ok(plan)
}

/// The list with less for Idlegate's first login, so that whatever still works is carried by the second one.
fn without_rights_of_the_main_login() -> Result<String> {
    let mut list = ACCESS_LIST.to_owned();
    for (granted, left) in [
        ("topic read contacts/#\n", ""),
        ("topic readwrite outlets/+/order\n", "topic read outlets/+/order\n"),
    ] {
        let start = list.find("user idlegate\n").context("Idlegate has no login")?;
        let end = start + list[start..].find("\n\n").context("the list ends with Idlegate's login")?;
        let rights = &list[start..end + 1];
        ensure!(rights.contains(granted), "the main login does not have {granted:?}:\n{rights}");
        let fewer = rights.replace(granted, left);
        list.replace_range(start..=end, &fewer);
    }
    Ok(list)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_login_for_emergencies_alone_brings_the_red_button_to_the_outlet() -> Result<()> {
    let broker = broker_with(&without_rights_of_the_main_login()?)?;
    let mut judge = join(&broker, JUDGE).await?;
    judge.subscribe("idlegate/health").await?;
    let mut outlet = join(&broker, "outlet-mill").await?;
    outlet.subscribe("outlets/mill/order").await?;
    let guard = Guard::start(shop(&broker)?, None)?;
    judge.hears_json("idlegate/health", DEADLINE, |health| health["emergency_connection"] == "up").await?;
    join(&broker, "contact-red-button").await?.publish("contacts/red-button", "open").await?;
    let order = timeout(DEADLINE, outlet.message()).await.context("the outlet was not told")??;
    assert_eq!((&order.topic[..], &order.payload[..]), (&b"outlets/mill/order"[..], &b"off"[..]));
    guard.stop().await
}

#[tokio::test]
async fn the_guard_hears_what_is_sent_to_an_outlet_past_it() -> Result<()> {
    let broker = broker()?;
    let topic = "outlets/bench-1/order";
    let mut guard = join(&broker, "idlegate").await?;
    guard.subscribe(topic).await?;
    // Nobody else may.
    guard.publish(topic, "off").await?;
    assert_eq!(guard.message().await?.payload, "off");
    Ok(())
}

#[tokio::test]
async fn each_login_hears_what_is_for_it_and_nothing_else() -> Result<()> {
    let broker = broker()?;
    let mut judge = join(&broker, JUDGE).await?;
    for (user, hears) in [
        ("button-laser", &[][..]),
        (STRANGER, &[]),
        ("contact-red-button", &[]),
        ("idlegate-red", &["contacts/red-button", "idlegate/link/idlegate_red/marker"]),
        ("outlet-laser", &["outlets/laser/order"]),
        ("idlegate-probe", &["idlegate/probe/expiry"]),
        (
            "input-console",
            &[
                "idlegate/announcement",
                "idlegate/answer/console/1",
                "idlegate/decision",
                "idlegate/health",
                "idlegate/incident",
                "idlegate/machine/mill",
            ],
        ),
        (
            "wall-display",
            &[
                "idlegate/announcement",
                "idlegate/decision",
                "idlegate/health",
                "idlegate/incident",
                "idlegate/machine/mill",
            ],
        ),
    ] {
        let mut listener = join(&broker, user).await?;
        // Mosquitto confirms a subscription to everything, and delivers what may be read.
        listener.subscribe("#").await?;
        for topic in topics() {
            judge.publish(topic, "said").await?;
        }
        let mut heard = BTreeSet::new();
        // When the broker answers this, all that it had for this listener has come.
        listener.subscribe("nothing/more").await?;
        while let Some(message) = listener.try_message() {
            heard.insert(String::from_utf8(message.topic.to_vec())?);
        }
        assert_eq!(heard.iter().map(String::as_str).collect::<Vec<_>>(), hears, "{user}");
    }
    Ok(())
}
