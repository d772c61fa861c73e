//! The page for people, on a real broker, over bare sockets.
//!
//! Could go wrong: it shows something else than the guard says, a stranger's web page reads it or asks for something,
//! whoever does not read holds up the others or the guard, or somebody who was never named looks in.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};

use anyhow::{Context, Result};
use idlegate_plan::Monitoring;
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Mosquitto, free_port};
use idlegate_tests::events::Viewer;
use idlegate_tests::shop::{Guard, Mill, plan};
use serde_json::Value as Json;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

/// As the rules' own limit.
const VIEWERS_MAX: usize = 128;

async fn ask(address: SocketAddr, request: &str) -> Result<(String, String)> {
    let mut stream = TcpStream::connect(address).await?;
    stream.write_all(request.as_bytes()).await?;
    let mut answer = String::new();
    tokio::time::timeout(DEADLINE, stream.read_to_string(&mut answer)).await??;
    let (head, body) = answer.split_once("\r\n\r\n").with_context(|| format!("no answer: {answer:?}"))?;
    Ok((head.to_ascii_lowercase(), body.to_owned()))
}

async fn status_of(address: SocketAddr, request: &str) -> Result<String> {
    let (head, body) = ask(address, request).await?;
    let status = head.split(' ').nth(1).context("no status")?.to_owned();
    assert!(status == "200" || body == "{}" || body.is_empty(), "{head}\n{body}");
    Ok(status)
}

struct Shop {
    address: SocketAddr,
    guard: Guard,
    mill: Mill,
    _broker: Mosquitto,
}

impl Shop {
    async fn open(listen: Ipv4Addr, hosts: &[&str]) -> Result<Shop> {
        let broker = Mosquitto::start()?;
        let mut plan = plan(broker.port())?;
        let address = SocketAddr::from((listen, free_port()?));
        plan.shop.monitoring = Some(Monitoring {
            listen: address,
            page: true,
            hosts: hosts.iter().map(|host| host.parse().expect("the test's own")).collect(),
            names: vec!["shop-computer.lan".to_owned()],
        });
        let guard = Guard::start(plan, None)?;
        let mill = Mill::meet(broker.port()).await?;
        Ok(Shop { address, guard, mill, _broker: broker })
    }
}

/// Everything that the status says stands on the page, in its own words and figures.
fn assert_says_the_same(card: &Json, status: &Json) {
    let sentence = card["sentence"].as_str().unwrap_or_default();
    assert!(sentence.starts_with(status["title"].as_str().unwrap_or("?")), "{card}");
    for reason in status["reasons"].as_array().into_iter().flatten().filter_map(Json::as_str) {
        assert!(sentence.contains(reason) || card["stands"] == "off", "{reason} is not in {card}");
    }
    assert_eq!(card["watts"], status["signals"][0]["value"], "{card}");
    assert_eq!(card["window_until"].is_null(), status["window_left_s"].is_null(), "{card}");
    assert_eq!(card["off_by"], status["deferral"]["by"], "{card}");
    assert_eq!(card["shadow"], status["shadow"]);
    let (incidents, open) = (card["incidents"].as_array(), status["incidents"].as_array());
    assert_eq!(incidents.map(Vec::len), open.map(Vec::len), "{card}");
    if let Some(by) = status["locked_by"].as_str() {
        assert!(card["notes"].to_string().contains(by), "{card}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_says_what_the_status_says() -> Result<()> {
    let mut shop = Shop::open(Ipv4Addr::LOCALHOST, &[]).await?;
    let mut viewer = Viewer::come(shop.address).await?;
    assert!(viewer.head.contains("text/event-stream"), "{}", viewer.head);
    let (kind, _) = viewer.next().await?;
    assert_eq!(kind, "whole");

    shop.mill.outlet_is("on").await?;
    shop.mill.draws("450", "busy").await?;
    let card = viewer.card("mill", |card| card["stands"] == "working" && card["watts"] == 450.0).await?;
    assert_eq!(card["at_least"], true, "nobody knows how long it had worked before");
    shop.mill.gesture("press").await?;
    let is_open = |status: &Json| !status["window_left_s"].is_null();
    let status = shop.mill.hear_json("idlegate/machine/mill", is_open).await?;
    let card = viewer.card("mill", |card| !card["window_until"].is_null()).await?;
    assert_says_the_same(&card, &status);

    // What people were told, word by word.
    let announced = shop.mill.asks("lock").await?;
    assert_eq!(announced["decision"], "acted");
    let is_locked = |status: &Json| !status["locked_by"].is_null();
    let status = shop.mill.hear_json("idlegate/machine/mill", is_locked).await?;
    let card = viewer.card("mill", |card| card["notes"].to_string().contains("console")).await?;
    assert_says_the_same(&card, &status);
    let mut late = Viewer::come(shop.address).await?;
    let (_, whole) = late.next().await?;
    let said: Vec<&str> = whole["lately"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|told| told["sentence"].as_str())
        .collect();
    assert!(said.iter().any(|sentence| sentence.starts_with("Mill stays on: 450 W")), "{said:?}");
    assert!(said.iter().any(|sentence| sentence.starts_with("Mill was locked by")), "{said:?}");
    assert_eq!(whole["title"], "Test shop");
    assert_eq!(whole["headline"], "1 machine is busy.");
    let plotted = &whole["plots"]["mill"];
    assert!(plotted.to_string().contains("450"), "{plotted}");

    // Without a word from the loop there is no sign of life; with one there is.
    while late.next().await?.0 != "beat" {}
    shop.guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_can_ask_for_anything_and_no_stranger_reads_it() -> Result<()> {
    let shop = Shop::open(Ipv4Addr::LOCALHOST, &[]).await?;
    let (head, body) = ask(shop.address, "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n").await?;
    assert!(head.starts_with("http/1.1 200") && body.starts_with("<!doctype html>"), "{head}");
    for line in [
        "x-content-type-options: nosniff",
        "referrer-policy: no-referrer",
        "cache-control: no-store",
        "x-frame-options: deny",
        "cross-origin-resource-policy: same-origin",
        "content-type: text/html; charset=utf-8",
    ] {
        assert!(head.contains(line), "no {line} in\n{head}");
    }
    let policy =
        head.lines().find_map(|line| line.strip_prefix("content-security-policy: ")).context("no policy")?;
    let wanted = [
        "default-src 'none'",
        "script-src 'sha256-",
        "style-src 'sha256-",
        "frame-ancestors 'none'",
        "form-action 'none'",
    ];
    assert!(wanted.iter().all(|part| policy.contains(part)), "{policy}");
    assert!(!policy.contains("unsafe") && !policy.contains('*') && !policy.contains("http"), "{policy}");

    for path in ["/", "/events", "/metrics", "/machine/mill", "/request/console"] {
        for method in ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "FORCE-OFF"] {
            let request = format!("{method} {path} HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n");
            assert_eq!(status_of(shop.address, &request).await?, "405", "{method} {path}");
        }
    }
    // A web page that a browser on this computer was led to asks under the name of its own server.
    for (host, status) in [
        ("shop-computer.lan", "200"),
        ("127.0.0.1:9464", "200"),
        ("rebound.example", "421"),
        ("localhost.rebound.example", "421"),
        ("", "421"),
    ] {
        assert_eq!(
            status_of(shop.address, &format!("HEAD / HTTP/1.1\r\nHost: {host}\r\n\r\n")).await?,
            status,
            "{host}"
        );
        let events = format!("HEAD /events HTTP/1.1\r\nHost: {host}\r\n\r\n");
        assert_eq!(status_of(shop.address, &events).await?, status, "{host}");
    }
    // Or under our own, and its browser says for whom it does.
    for (site, status) in
        [("same-origin", "200"), ("none", "200"), ("cross-site", "403"), ("same-site", "403")]
    {
        let request = format!("HEAD /events HTTP/1.1\r\nHost: localhost\r\nSec-Fetch-Site: {site}\r\n\r\n");
        assert_eq!(status_of(shop.address, &request).await?, status, "{site}");
    }
    shop.guard.stop().await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn who_does_not_read_holds_up_nobody_and_there_is_room_again_when_they_go() -> Result<()> {
    let mut shop = Shop::open(Ipv4Addr::LOCALHOST, &[]).await?;
    shop.mill.outlet_is("on").await?;
    shop.mill.draws("450", "busy").await?;
    let mut reads = Viewer::come(shop.address).await?;
    let mut sleeps = Vec::new();
    for _ in 1..VIEWERS_MAX {
        sleeps.push(Viewer::come(shop.address).await?);
    }
    let mut one_more = Viewer::come(shop.address).await?;
    let (kind, why) = one_more.next().await?;
    assert_eq!(
        (kind.as_str(), why["why"].as_str().is_some_and(|why| why.contains("128 people"))),
        ("full", true)
    );
    assert!(one_more.next().await.is_err(), "it is sent away");
    // Monitors have places of their own.
    let metrics = status_of(shop.address, "GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n").await?;
    assert_eq!(metrics, "200");

    shop.mill.gesture("press").await?;
    shop.mill.hear_json("idlegate/decision", |decision| decision["decision"] == "held").await?;
    reads.card("mill", |card| !card["window_until"].is_null()).await?;

    drop(sleeps);
    let until = tokio::time::Instant::now() + DEADLINE;
    loop {
        if Viewer::come(shop.address).await?.next().await?.0 == "whole" {
            break;
        }
        assert!(tokio::time::Instant::now() < until, "nobody has left");
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    shop.guard.stop().await
}

/// Kept for examples (RFC 5737, from memory), and another than the one below.
const STRANGERS: &str = "203.0.113.0/24";

/// An address of this computer under which it is a stranger to itself. Nothing is sent to find it.
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind("0.0.0.0:0").ok()?;
    socket.connect("192.0.2.1:9").ok()?;
    let address = socket.local_addr().ok()?.ip();
    (!address.is_loopback() && !address.is_unspecified()).then_some(address)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_elsewhere_only_those_look_who_are_named() -> Result<()> {
    let Some(own) = own_address() else {
        println!("this computer has no address but loopback: not tried");
        return Ok(());
    };
    let own_text = own.to_string();
    for (hosts, page, metrics) in [
        (vec![], "403", "200"),
        (vec![STRANGERS], "403", "403"),
        (vec![STRANGERS, own_text.as_str()], "200", "200"),
    ] {
        let shop = Shop::open(Ipv4Addr::UNSPECIFIED, &hosts).await?;
        for (path, status) in [("/", page), ("/events", page), ("/metrics", metrics)] {
            let request = format!("HEAD {path} HTTP/1.1\r\nHost: localhost\r\n\r\n");
            let from_elsewhere = SocketAddr::from((own, shop.address.port()));
            assert_eq!(status_of(from_elsewhere, &request).await?, status, "{path} {hosts:?}");
            let from_here = SocketAddr::from((Ipv4Addr::LOCALHOST, shop.address.port()));
            assert_eq!(status_of(from_here, &request).await?, "200", "{path} {hosts:?}");
        }
        shop.guard.stop().await?;
    }
    Ok(())
}
