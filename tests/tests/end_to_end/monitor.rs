//! The page for monitors, on a real broker.
//!
//! Could go wrong: a monitor is told that all is well while the broker is gone, a refusal is not counted, or whoever
//! talks nonsense to the page takes the guard down with it.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use anyhow::{Context, Result};
use idlegate_plan::Monitoring;
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Mosquitto, free_port};
use idlegate_tests::shop::{Guard, Mill, plan};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

/// Head and body of the answer.
async fn get(address: SocketAddr, request: &str) -> Result<(String, String)> {
    let mut stream = TcpStream::connect(address).await?;
    stream.write_all(request.as_bytes()).await?;
    let mut answer = String::new();
    tokio::time::timeout(DEADLINE, stream.read_to_string(&mut answer)).await??;
    let (head, body) = answer.split_once("\r\n\r\n").with_context(|| format!("no answer: {answer:?}"))?;
    Ok((head.to_owned(), body.to_owned()))
}

async fn page(address: SocketAddr, path: &str) -> Result<(String, String)> {
    get(address, &format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n")).await
}

/// Asks again until the answer is as expected: what it tells is at most a second old.
async fn page_with(address: SocketAddr, path: &str, words: &str) -> Result<(String, String)> {
    let until = tokio::time::Instant::now() + DEADLINE;
    loop {
        let (head, body) = page(address, path).await?;
        if body.contains(words) {
            return Ok((head, body));
        }
        anyhow::ensure!(tokio::time::Instant::now() < until, "no {words:?} in:\n{head}\n\n{body}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_monitor_sees_what_the_guard_did_and_whether_it_guards() -> Result<()> {
    let mut broker = Mosquitto::start()?;
    let mut plan = plan(broker.port())?;
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, free_port()?));
    plan.shop.monitoring = Some(Monitoring {
        listen: address,
        page: false,
        hosts: Vec::new(),
        names: vec!["shop-computer.lan".to_owned()],
    });
    let guard = Guard::start(plan, None)?;
    let mut mill = Mill::meet(broker.port()).await?;
    mill.outlet_is("on").await?;
    mill.draws("450", "busy").await?;
    mill.gesture("press").await?;
    mill.client.publish("buttons/mill", "{nonsense").await?;

    let (head, body) =
        page_with(address, "/metrics", r#"idlegate_machine_state{machine="mill",state="busy"} 1"#).await?;
    assert!(head.starts_with("HTTP/1.1 200") && head.contains("application/openmetrics-text"), "{head}");
    assert!(body.contains(r#"idlegate_requests_total{decision="held",reason="machine-busy"} 1"#), "{body}");
    assert!(body.contains(r#"idlegate_announcements_total{kind="held"} 1"#), "{body}");
    assert!(body.contains("idlegate_link_up 1") && body.contains("idlegate_event_seconds_count"), "{body}");
    // OpenMetrics 1.0: an exposition ends with this line, so that a torn one is known (from memory).
    assert!(body.ends_with("# EOF\n"), "{body}");
    page_with(address, "/metrics", "idlegate_messages_rejected_total 1").await?;

    let (head, body) = page_with(address, "/health", r#""link":"up""#).await?;
    assert!(head.starts_with("HTTP/1.1 200") && body.contains(r#""loop":"turning""#), "{head}\n{body}");
    let (head, _) = page(address, "/../../etc/passwd").await?;
    assert!(head.starts_with("HTTP/1.1 404"), "{head}");
    let (head, _) = get(address, "DELETE /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n").await?;
    assert!(head.starts_with("HTTP/1.1 405"), "{head}");
    let (head, _) = get(address, "\u{1}\u{2}nonsense\r\n\r\n").await?;
    assert!(head.starts_with("HTTP/1.1 400"), "{head}");

    // A web page that a browser on this computer was led to asks under the name of its own server.
    for (host, status) in [
        ("shop-computer.lan:9464", "200"),
        ("127.0.0.1", "200"),
        ("[::1]:9464", "200"),
        ("rebound.example", "421"),
        ("localhost.rebound.example", "421"),
        ("127.0.0.1.rebound.example", "421"),
    ] {
        let (head, body) = get(address, &format!("GET /metrics HTTP/1.1\r\nHost: {host}\r\n\r\n")).await?;
        assert!(head.starts_with(&format!("HTTP/1.1 {status}")), "{host}: {head}");
        assert!(status == "200" || body == "{}", "{body}");
    }

    // Far more connections than it serves, and all say nothing: whoever asks is answered all the same, and the guard
    // does not notice.
    let mut silent = Vec::new();
    for _ in 0..200 {
        silent.push(TcpStream::connect(address).await?);
    }
    page_with(address, "/metrics", "idlegate_link_up 1").await?;
    // They did not give way by themselves: at least one is still open, and at least one was closed for another.
    let open = silent.iter().filter(|stream| stream.try_read(&mut [0]).is_err()).count();
    assert!((1..200).contains(&open), "{open} of 200 silent connections are open");
    mill.gesture("press").await?;
    mill.hear_json("idlegate/decision", |decision| decision["decision"] != "acted").await?;
    drop(silent);
    broker.kill();
    let (head, _) = page_with(address, "/health", r#""link":"down""#).await?;
    assert!(head.starts_with("HTTP/1.1 503"), "{head}");
    guard.stop().await
}
