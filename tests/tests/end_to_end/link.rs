//! The link against real brokers.
//!
//! Could go wrong in the workshop: a press of yesterday switches off the mill of today; the guard believes it
//! is connected and hears nothing; two guards throw each other out; a connection without encryption.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use std::fs;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use bytes::Bytes;
use idlegate_guard::time::Span;
use idlegate_link::{
    Arrival, BackOffLimits, Classifier, Filter, Inbox, Lane, LinkConfig, LinkHandle, NotSent, Outgoing,
    Purpose, Report, spawn,
};
use idlegate_os::Clock;
use idlegate_plan::event::{LinkState, Message};
use idlegate_plan::{Broker, ClientCertificate, Login, Secret, Tls};
use idlegate_tests::DEADLINE;
use idlegate_tests::broker::{Embedded, Mosquitto, MosquittoSettings, free_port};
use idlegate_tests::client::Client;
use idlegate_tests::proxy::Proxy;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{sleep, timeout};

const WILL: &str = "gone";

struct Link {
    handle: LinkHandle,
    inbox: Inbox,
}

fn config(port: u16) -> LinkConfig {
    let broker = Broker {
        host: "127.0.0.1".into(),
        port,
        client_id: "guard".into(),
        login: None,
        probe: None,
        emergency_login: None,
        tls: None,
        keep_alive: Span::secs(5),
    };
    let config = LinkConfig::new(broker, "idlegate", Bytes::from_static(WILL.as_bytes())).unwrap();
    // Quick, so that a test need not wait for a human's patience.
    LinkConfig { back_off: BackOffLimits { first: Span(50), longest: Span(400) }, ..config }
}

fn by_name() -> Classifier {
    Arc::new(|topic| match topic.rsplit('/').next() {
        Some("button") => Lane::Request.into(),
        Some("says") => Lane::State.into(),
        Some("power") => Lane::Reading.into(),
        _ => Lane::Nobody.into(),
    })
}

fn filters(wanted: &[(&str, Purpose)]) -> Vec<(Filter, Purpose)> {
    wanted.iter().map(|(filter, kind)| (Filter::new(filter).unwrap(), *kind)).collect()
}

const WORKSHOP: &[(&str, Purpose)] =
    &[("shop/+/button", Purpose::Input), ("shop/+/says", Purpose::State), ("shop/+/power", Purpose::State)];

impl Link {
    fn start(config: LinkConfig) -> Link {
        Link::start_for(config, WORKSHOP)
    }

    fn start_for(config: LinkConfig, wanted: &[(&str, Purpose)]) -> Link {
        let (handle, inbox) = spawn(config, &filters(wanted), by_name());
        Link { handle, inbox }
    }

    async fn next(&mut self) -> Result<Arrival> {
        let next = timeout(DEADLINE, self.inbox.recv()).await.context("nothing arrived")?;
        next.map(|(_, arrival)| arrival).context("the inbox has ended")
    }

    /// Passes over what was not asked for.
    async fn until<T>(&mut self, wanted: impl Fn(&Arrival) -> Option<T>) -> Result<T> {
        loop {
            if let Some(found) = wanted(&self.next().await?) {
                return Ok(found);
            }
        }
    }

    async fn up(&mut self) -> Result<()> {
        self.until(|arrival| (*arrival == Arrival::Link(LinkState::Up)).then_some(())).await
    }

    async fn down(&mut self) -> Result<String> {
        self.until(|arrival| match arrival {
            Arrival::Link(LinkState::Down { why }) => Some(why.clone()),
            _ => None,
        })
        .await
    }

    async fn message(&mut self) -> Result<Message> {
        self.until(|arrival| match arrival {
            Arrival::Message(message) => Some(message.clone()),
            _ => None,
        })
        .await
    }
}

fn order(topic: &str) -> Outgoing {
    Outgoing::order(topic, Bytes::from_static(b"off"), Span::secs(2), Clock.now().moment)
}

/// Both ways through, and the farewell.
async fn round(port: u16) -> Result<()> {
    let mut peer = Client::connect(port).await?;
    peer.subscribe("shop/mill/order").await?;
    peer.subscribe("idlegate/health").await?;
    let mut link = Link::start(config(port));
    assert_eq!(link.handle.publish(order("shop/mill/order")), Err(NotSent::Down));
    link.up().await?;

    peer.publish("shop/mill/button", "press").await?;
    let press = link.message().await?;
    assert_eq!(
        (&*press.topic, &press.payload[..], press.retained),
        ("shop/mill/button", &b"press"[..], false)
    );
    assert!(press.age < Span::secs(10), "{:?}", press.age);

    // The barrier rests on this: one queue for all topics of a client, though the standard promises it only for
    // each topic.
    for number in 0..500 {
        let topic = ["shop/mill/button", "shop/mill/says", "shop/kiln/says"][number % 3];
        peer.publish(topic, number.to_string()).await?;
    }
    for number in 0..500 {
        assert_eq!(&link.message().await?.payload[..], number.to_string().as_bytes());
    }

    link.handle.publish(order("shop/mill/order"))?;
    let off = peer.message().await?;
    assert_eq!((&off.payload[..], off.retain), (&b"off"[..], false));
    let expiry = off.properties.context("no properties")?.message_expiry_interval;
    assert!(matches!(expiry, Some(1..=2)), "{expiry:?}");

    link.handle.shutdown(Bytes::from_static(b"farewell")).await;
    assert_eq!(
        &peer.message().await?.payload[..],
        b"farewell",
        "and the last will is not published behind it"
    );
    while let Some((_, arrival)) = link.inbox.recv().await {
        assert!(!matches!(arrival, Arrival::Message(_)), "{arrival:?}");
    }
    assert_eq!(link.handle.publish(order("shop/mill/order")), Err(NotSent::Down));
    Ok(())
}

#[tokio::test]
async fn works_with_mosquitto() -> Result<()> {
    let broker = Mosquitto::start()?;
    round(broker.port()).await
}

#[tokio::test]
async fn works_with_the_embedded_broker() -> Result<()> {
    let broker = Embedded::start().await?;
    round(broker.port()).await?;
    broker.shutdown().await;
    Ok(())
}

#[tokio::test]
async fn comes_up_when_the_broker_does() -> Result<()> {
    let port = free_port()?;
    let mut link = Link::start(config(port));
    assert!(link.down().await?.contains("nothing is listening"));
    let _broker = Mosquitto::start_on(port, &MosquittoSettings::default())?;
    link.up().await
}

#[tokio::test]
async fn subscribes_again_after_the_broker_was_killed_and_sends_nothing_of_before() -> Result<()> {
    let mut broker = Mosquitto::start()?;
    let mut link = Link::start(config(broker.port()));
    link.up().await?;
    broker.kill();
    link.down().await?;
    assert!(!link.handle.is_up());
    assert_eq!(link.handle.publish(order("shop/mill/order")), Err(NotSent::Down));
    broker.run()?;
    let mut peer = Client::connect(broker.port()).await?;
    peer.subscribe("shop/mill/order").await?;
    link.up().await?;
    peer.publish("shop/mill/button", "press").await?;
    assert_eq!(&link.message().await?.payload[..], b"press");
    // Whatever had been kept would come before this.
    link.handle.publish(Outgoing { payload: Bytes::from_static(b"now"), ..order("shop/mill/order") })?;
    assert_eq!(&peer.message().await?.payload[..], b"now");
    assert!(peer.try_message().is_none());
    Ok(())
}

#[tokio::test]
async fn a_stored_press_stays_in_store_and_a_stored_state_is_read() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut peer = Client::connect(broker.port()).await?;
    peer.publish_retained("shop/mill/button", "press").await?;
    peer.publish_retained("shop/mill/says", "on").await?;
    let mut link = Link::start(config(broker.port()));
    // What is in store comes before the link says that it is up.
    let mut before = Vec::new();
    loop {
        match link.next().await? {
            Arrival::Message(message) => before.push((message.topic.to_string(), message.retained)),
            Arrival::Link(LinkState::Up) => break,
            other => bail!("{other:?}"),
        }
    }
    assert_eq!(before, [("shop/mill/says".to_string(), true)]);
    // A press that its sender wants stored arrives with the mark.
    peer.publish_retained("shop/mill/button", "press").await?;
    assert!(link.message().await?.retained);
    Ok(())
}

#[tokio::test]
async fn a_topic_that_two_filters_share_is_heard_once() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut peer = Client::connect(broker.port()).await?;
    peer.publish_retained("shop/mill/says", "on").await?;
    let mut link = Link::start_for(
        config(broker.port()),
        &[
            ("shop/+/says", Purpose::State),
            ("shop/mill/+", Purpose::Input),
            ("shop/mill/button", Purpose::Input),
        ],
    );
    let stored = link.message().await?;
    assert!(stored.retained, "the stored state comes by the state's filter");
    link.up().await?;
    for payload in ["off", "on"] {
        peer.publish("shop/mill/says", payload).await?;
        assert_eq!(&link.message().await?.payload[..], payload.as_bytes());
    }
    peer.publish("shop/mill/button", "press").await?;
    assert_eq!(&*link.message().await?.topic, "shop/mill/button");
    Ok(())
}

#[tokio::test]
async fn new_rules_change_the_subscriptions_without_a_gap() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut peer = Client::connect(broker.port()).await?;
    let mut link = Link::start(config(broker.port()));
    link.up().await?;
    peer.publish_retained("hall/kiln/says", "on").await?;
    link.handle.replace_subscriptions(
        &filters(&[("shop/+/button", Purpose::Input), ("hall/+/says", Purpose::State)]),
        by_name(),
    );
    let message = link.message().await?;
    assert_eq!((&*message.topic, message.retained), ("hall/kiln/says", true));
    // Everything is answered in order, so the old filters are gone once this has come.
    for _ in 0..20 {
        peer.publish("shop/mill/says", "on").await?;
        peer.publish("shop/mill/button", "press").await?;
        sleep(Duration::from_millis(20)).await;
    }
    let mut last = String::new();
    let mut presses = 0;
    while presses < 20 {
        let message = link.message().await?;
        presses += usize::from(&*message.topic == "shop/mill/button");
        last = message.topic.to_string();
    }
    assert_eq!(last, "shop/mill/button");
    assert!(link.handle.is_up());
    Ok(())
}

#[tokio::test]
async fn a_huge_stored_message_does_not_keep_the_link_from_working() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut peer = Client::connect(broker.port()).await?;
    peer.publish_retained("shop/mill/says", vec![b'x'; 300_000]).await?;
    peer.publish_retained("shop/kiln/says", vec![b'x'; 20_000]).await?;
    let mut link = Link::start(config(broker.port()));
    let message = link.message().await?;
    assert_eq!((&*message.topic, message.payload.len()), ("shop/kiln/says", 20_000));
    link.up().await?;
    let large = Outgoing::event("shop/x", Bytes::from(vec![0; 100_000]), Clock.now().moment);
    assert_eq!(link.handle.publish(large), Err(NotSent::TooLarge));
    peer.publish("shop/mill/button", "press").await?;
    assert_eq!(&*link.message().await?.topic, "shop/mill/button");
    assert_eq!(link.handle.counters().connections, 1);
    Ok(())
}

#[tokio::test]
async fn a_refused_subscription_is_named() -> Result<()> {
    let folder = tempfile::tempdir()?;
    let list = folder.path().join("access");
    let allowed = ["shop/+/button", "shop/+/says", "idlegate/#"];
    fs::write(&list, allowed.map(|topic| format!("user * topic {topic} permission readwrite\n")).concat())?;
    let broker = Embedded::start_with(0, Some(list)).await?;
    let mut link = Link::start(config(broker.port()));
    let (filter, why) = link
        .until(|arrival| match arrival {
            Arrival::Report(Report::SubscriptionDenied { filter, why }) => {
                Some((filter.clone(), why.clone()))
            }
            _ => None,
        })
        .await?;
    assert_eq!(filter, "shop/+/power");
    assert!(why.contains("access list"), "{why}");
    link.up().await
}

fn guard_login(config: LinkConfig) -> LinkConfig {
    let login = Login { user: "guard".into(), password: Secret::new("secret".into()) };
    LinkConfig { broker: Broker { login: Some(login), ..config.broker.clone() }, ..config }
}

#[tokio::test]
async fn a_refused_publication_is_named_and_an_order_nobody_hears_too() -> Result<()> {
    let broker = Mosquitto::start_with(&MosquittoSettings {
        users: vec![("guard".into(), "secret".into())],
        access_list: Some(
            "user guard\ntopic read shop/#\ntopic write shop/kiln/order\ntopic readwrite idlegate/#\n".into(),
        ),
        ..MosquittoSettings::default()
    })?;
    let mut link = Link::start(guard_login(config(broker.port())));
    link.up().await?;
    link.handle.publish(order("shop/mill/order"))?;
    link.handle.publish(order("shop/kiln/order"))?;
    let mut named = Vec::new();
    while named.len() < 2 {
        if let Arrival::Report(report) = link.next().await? {
            named.push(report);
        }
    }
    let why = "the broker's access list does not allow it".into();
    assert_eq!(
        named,
        [
            Report::PublishRefused { topic: "shop/mill/order".into(), why },
            Report::NobodyListens { topic: "shop/kiln/order".into() },
        ]
    );
    Ok(())
}

const WITH_ORDERS: &[(&str, Purpose)] =
    &[("shop/+/button", Purpose::Input), ("shop/mill/order", Purpose::State)];

#[tokio::test]
async fn our_own_order_comes_back_with_our_mark_and_somebody_elses_without() -> Result<()> {
    let (mosquitto, embedded) = (Mosquitto::start()?, Embedded::start().await?);
    for port in [mosquitto.port(), embedded.port()] {
        let (handle, inbox) = spawn(config(port), &filters(WITH_ORDERS), Arc::new(|_| Lane::Reading.into()));
        let mut link = Link { handle, inbox };
        link.up().await?;
        link.handle.publish(order("shop/mill/order"))?;
        let message = link.message().await?;
        assert_eq!((&*message.topic, message.ours), ("shop/mill/order", true));
        Client::connect(port).await?.publish("shop/mill/order", "off").await?;
        assert!(!link.message().await?.ours);
    }
    Ok(())
}

#[tokio::test]
async fn an_order_topic_that_the_broker_only_pretends_to_let_us_read_is_named() -> Result<()> {
    // It grants the subscription, takes the order and delivers nothing.
    let broker = Mosquitto::start_with(&MosquittoSettings {
        users: vec![("guard".into(), "secret".into())],
        access_list: Some("user guard\ntopic write shop/mill/order\ntopic readwrite idlegate/#\n".into()),
        ..MosquittoSettings::default()
    })?;
    let mut link = Link::start_for(guard_login(config(broker.port())), WITH_ORDERS);
    link.up().await?;
    link.handle.publish(order("shop/mill/order"))?;
    let named = link.until(|arrival| match arrival {
        Arrival::Report(report) => Some(report.clone()),
        _ => None,
    });
    assert_eq!(named.await?, Report::NotGivenBack { topic: "shop/mill/order".into() });
    assert!(link.handle.is_up());
    Ok(())
}

#[tokio::test]
async fn a_granted_subscription_alone_does_not_make_it_up() -> Result<()> {
    // This broker grants every subscription and then delivers nothing of ours.
    let broker = Mosquitto::start_with(&MosquittoSettings {
        users: vec![("guard".into(), "secret".into())],
        access_list: Some("user guard\ntopic read shop/#\n".into()),
        ..MosquittoSettings::default()
    })?;
    let mut link = Link::start(guard_login(config(broker.port())));
    let why = link.down().await?;
    assert!(why.contains("idlegate/link/guard/marker"), "{why}");
    assert_eq!(link.handle.counters().connections, 0);
    Ok(())
}

#[tokio::test]
async fn a_wrong_password_is_said_so() -> Result<()> {
    let broker = Mosquitto::start_with(&MosquittoSettings {
        users: vec![("guard".into(), "another".into())],
        ..MosquittoSettings::default()
    })?;
    let mut link = Link::start(guard_login(config(broker.port())));
    let why = link.down().await?;
    assert!(why.contains("password") && !why.contains("secret"), "{why}");
    Ok(())
}

#[tokio::test]
async fn what_waited_on_a_frozen_link_is_old() -> Result<()> {
    let broker = Mosquitto::start()?;
    let proxy = Proxy::start(broker.port()).await?;
    let mut peer = Client::connect(broker.port()).await?;
    peer.subscribe("shop/mill/order").await?;
    let mut link = Link::start(config(proxy.port()));
    link.up().await?;
    proxy.set(|conduct| conduct.stall_to_client = true);
    peer.publish("shop/mill/button", "press").await?;
    let frozen = Duration::from_millis(2_500);
    sleep(frozen).await;
    assert_eq!(link.handle.publish(order("shop/mill/order")), Err(NotSent::Stalled));
    proxy.set(|conduct| conduct.stall_to_client = false);
    let press = link.message().await?;
    assert!(press.age >= Span::from(frozen), "{:?}", press.age);
    // And once markers come back, what arrives is young again. Presses again until it is.
    let deadline = tokio::time::Instant::now() + DEADLINE;
    loop {
        peer.publish("shop/mill/button", "press").await?;
        if link.message().await?.age < Span::secs(1) {
            break;
        }
        assert!(tokio::time::Instant::now() < deadline);
        sleep(Duration::from_millis(50)).await;
    }
    link.handle.publish(order("shop/mill/order"))?;
    assert_eq!(&peer.message().await?.payload[..], b"off");
    Ok(())
}

#[tokio::test]
async fn an_order_does_not_wait_behind_what_a_slow_broker_has_not_confirmed() -> Result<()> {
    let broker = Mosquitto::start()?;
    let proxy = Proxy::start(broker.port()).await?;
    let mut peer = Client::connect(broker.port()).await?;
    peer.subscribe("shop/mill/order").await?;
    let mut link = Link::start(config(proxy.port()));
    link.up().await?;
    proxy.set(|conduct| conduct.stall_to_client = true);
    for number in 0..100 {
        let topic = format!("idlegate/happened/{number}");
        link.handle.publish(Outgoing::event(&topic, Bytes::from_static(b"{}"), Clock.now().moment))?;
    }
    link.handle.publish(order("shop/mill/order"))?;
    assert_eq!(&peer.message().await?.payload[..], b"off");
    Ok(())
}

#[tokio::test]
async fn what_waited_in_ourselves_is_old() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut peer = Client::connect(broker.port()).await?;
    let mut link = Link::start(config(broker.port()));
    link.up().await?;
    peer.publish("shop/mill/button", "press").await?;
    let waited = Duration::from_millis(1_200);
    sleep(waited).await;
    // The message itself came at once; whoever should have taken it out did not.
    assert!(link.message().await?.age >= Span(1_000));
    Ok(())
}

/// The whole program stands still, as it does while it is stopped or the computer is suspended: the test, the
/// link and its client run on one thread, which sleeps.
#[tokio::test]
async fn what_came_while_the_program_stood_still_is_old() -> Result<()> {
    let broker = Mosquitto::start()?;
    let port = broker.port();
    let mut link = Link::start(config(port));
    link.up().await?;
    let (asleep, woken) = std::sync::mpsc::channel();
    let person = std::thread::spawn(move || -> Result<()> {
        woken.recv()?;
        tokio::runtime::Runtime::new()?
            .block_on(async { Client::connect(port).await?.publish("shop/mill/button", "press").await })
    });
    asleep.send(())?;
    let stood_still = Duration::from_secs(3);
    std::thread::sleep(stood_still);
    let press = link.message().await?;
    assert!(press.age >= Span::from(stood_still), "{:?}", press.age);
    person.join().map_err(|_| anyhow::anyhow!("the person's thread panicked"))??;
    Ok(())
}

#[tokio::test]
async fn a_flood_of_readings_loses_readings_and_no_press() -> Result<()> {
    let broker = Mosquitto::start()?;
    let mut peer = Client::connect(broker.port()).await?;
    let mut link = Link::start(config(broker.port()));
    link.up().await?;
    for reading in 0..4_200 {
        peer.publish("shop/mill/power", reading.to_string()).await?;
        if reading == 2_000 {
            peer.publish("shop/mill/button", "press").await?;
        }
    }
    // Markers go the same way, so the flood has arrived when one sent after it has come back.
    sleep(Duration::from_millis(600)).await;
    assert!(link.inbox.readings_dropped() >= 100);
    let (mut before, mut last) = (String::new(), String::new());
    while let Ok((_, Arrival::Message(message))) = link.inbox.try_recv() {
        let payload = String::from_utf8(message.payload.to_vec())?;
        if &*message.topic == "shop/mill/button" {
            before.clone_from(&last);
        }
        last = payload;
    }
    assert_eq!(
        (before.as_str(), last.as_str()),
        ("2000", "4199"),
        "the press keeps its place among the readings"
    );
    assert!(link.handle.is_up());
    Ok(())
}

#[tokio::test]
async fn a_dead_link_is_noticed_and_replaced() -> Result<()> {
    let broker = Mosquitto::start()?;
    let proxy = Proxy::start(broker.port()).await?;
    let mut link = Link::start(config(proxy.port()));
    link.up().await?;
    proxy.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (true, true));
    let why = link.down().await?;
    assert_eq!(why, "nothing we send comes back any more");
    proxy.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (false, false));
    link.up().await
}

#[tokio::test]
async fn a_fight_over_the_client_id_is_named_and_not_fought() -> Result<()> {
    let broker = Mosquitto::start()?;
    let port = broker.port();
    let mut link = Link::start(config(port));
    let rival = tokio::spawn(async move {
        loop {
            // Comes back whenever it was thrown out.
            if let Ok(rival) = Client::connect_as(port, "guard", None).await {
                while rival.is_connected() {
                    sleep(Duration::from_millis(5)).await;
                }
            }
            sleep(Duration::from_millis(50)).await;
        }
    });
    let named = async {
        loop {
            let why = link.down().await?;
            if why.contains("another program") {
                return anyhow::Ok(why);
            }
        }
    };
    let why = timeout(DEADLINE, named).await.context("the fight is not named")??;
    assert!(why.contains("\"guard\""), "{why}");
    rival.abort();
    link.up().await
}

/// Answers like a broker of version 3.1.1: its refusal has no room for properties.
#[tokio::test]
async fn a_broker_of_an_older_version_is_named_as_such() -> Result<()> {
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await?;
    let mut link = Link::start(config(listener.local_addr()?.port()));
    tokio::spawn(async move {
        while let Ok((mut client, _)) = listener.accept().await {
            let _ = client.read(&mut [0; 512]).await;
            let _ = client.write_all(&[0x20, 0x02, 0x00, 0x01]).await;
        }
    });
    let why = link.down().await?;
    assert!(why.contains("MQTT 5"), "{why}");
    Ok(())
}

struct Authority {
    pem: String,
    certificate: rcgen::Issuer<'static, rcgen::KeyPair>,
}

fn authority() -> Result<Authority> {
    let key = rcgen::KeyPair::generate()?;
    let mut params = rcgen::CertificateParams::new(Vec::<String>::new())?;
    params.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
    let pem = params.self_signed(&key)?.pem();
    Ok(Authority { pem, certificate: rcgen::Issuer::new(params, key) })
}

/// A broker that shows a certificate under this name; who may be trusted, and who may not.
fn tls_broker(name: &str) -> Result<(Mosquitto, Authority, Authority)> {
    let (right, wrong) = (authority()?, authority()?);
    let key = rcgen::KeyPair::generate()?;
    let certificate =
        rcgen::CertificateParams::new(vec![name.to_owned()])?.signed_by(&key, &right.certificate)?;
    let settings = MosquittoSettings {
        tls: Some((certificate.pem(), key.serialize_pem())),
        ..MosquittoSettings::default()
    };
    Ok((Mosquitto::start_with(&settings)?, right, wrong))
}

fn tls_config(
    port: u16,
    authority: &Authority,
    server_name: Option<&str>,
) -> Result<(LinkConfig, tempfile::TempDir)> {
    let folder = tempfile::tempdir()?;
    let ca_file = folder.path().join("ca.pem");
    fs::write(&ca_file, &authority.pem)?;
    let tls = Tls { ca_file, client: None, server_name: server_name.map(str::to_owned) };
    let config = config(port);
    Ok((LinkConfig { broker: Broker { tls: Some(tls), ..config.broker.clone() }, ..config }, folder))
}

#[tokio::test]
async fn an_encrypted_link_comes_up_with_the_right_authority() -> Result<()> {
    let (broker, right, _) = tls_broker("127.0.0.1")?;
    let (config, _folder) = tls_config(broker.port(), &right, None)?;
    Link::start(config).up().await
}

#[tokio::test]
async fn a_name_from_the_rules_stands_for_the_hosts() -> Result<()> {
    let (broker, right, _) = tls_broker("broker.workshop")?;
    let (config, _folder) = tls_config(broker.port(), &right, Some("broker.workshop"))?;
    Link::start(config).up().await?;
    let (config, _folder) = tls_config(broker.port(), &right, None)?;
    let why = Link::start(config).down().await?;
    assert!(why.contains("the encrypted connection could not be made"), "{why}");
    Ok(())
}

#[tokio::test]
async fn a_wrong_authority_is_refused_and_there_is_no_other_way() -> Result<()> {
    let (broker, _, wrong) = tls_broker("127.0.0.1")?;
    let (config, folder) = tls_config(broker.port(), &wrong, None)?;
    let mut link = Link::start(config);
    let why = link.down().await?;
    assert!(why.contains("the encrypted connection could not be made"), "{why}");
    assert_eq!(link.handle.counters().connections, 0);
    // Without its file there is no connection at all.
    fs::remove_file(folder.path().join("ca.pem"))?;
    let why = link.down().await?;
    assert!(why.contains("ca.pem"), "{why}");

    // To a broker without encryption, an encrypted link does not fall back.
    let plain = Mosquitto::start()?;
    let (config, _folder) = tls_config(plain.port(), &wrong, None)?;
    let mut link = Link::start(config);
    let why = link.down().await?;
    assert!(why.contains("encrypted") || why.contains("reached"), "{why}");
    assert_eq!(link.handle.counters().connections, 0);
    Ok(())
}

#[tokio::test]
async fn a_broker_that_wants_a_certificate_gets_ours_and_nobody_elses() -> Result<()> {
    let (servers, clients, others) = (authority()?, authority()?, authority()?);
    let certificate = |names: &[&str], authority: &Authority| -> Result<(String, String)> {
        let key = rcgen::KeyPair::generate()?;
        let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
        let mut params = rcgen::CertificateParams::new(names)?;
        // Named like its authority, a certificate would be taken for one that signed itself.
        params.distinguished_name.push(rcgen::DnType::CommonName, "somebody");
        let certificate = params.signed_by(&key, &authority.certificate)?;
        Ok((certificate.pem(), key.serialize_pem()))
    };
    let broker = Mosquitto::start_with(&MosquittoSettings {
        tls: Some(certificate(&["127.0.0.1"], &servers)?),
        client_authority: Some(clients.pem.clone()),
        ..MosquittoSettings::default()
    })?;
    let ours = |signed_by: Option<&Authority>| -> Result<(LinkConfig, tempfile::TempDir)> {
        let (mut config, folder) = tls_config(broker.port(), &servers, None)?;
        if let (Some(authority), Some(tls)) = (signed_by, &mut config.broker.tls) {
            let (pem, key) = certificate(&["guard"], authority)?;
            let [certificate_file, key_file] = ["ours.pem", "ours.key"].map(|name| folder.path().join(name));
            fs::write(&certificate_file, pem)?;
            fs::write(&key_file, key)?;
            tls.client = Some(ClientCertificate { certificate_file, key_file });
        }
        Ok((config, folder))
    };
    let (config, _folder) = ours(Some(&clients))?;
    Link::start(config).up().await?;
    for signed_by in [Some(&others), None] {
        let (config, _folder) = ours(signed_by)?;
        let mut link = Link::start(config);
        let why = link.down().await?;
        assert!(why.contains("wants a certificate from us, or does not accept ours"), "{why}");
        assert_eq!(link.handle.counters().connections, 0);
    }
    Ok(())
}
