//! A phone that was out of reach, and whose session the broker kept.

use std::collections::BTreeMap;
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use idlegate_guard::time::{Span, WallTime};
use idlegate_os::Clock;
use idlegate_plan::text::rfc3339;
use idlegate_tests::client::Client;
use idlegate_tests::floor::{Floor, at_all, stretch};
use serde_json::Value as Json;
use tokio::time::{Instant, timeout_at};

use super::Moments;

/// Brokers count in whole seconds, and may round them.
const ROUNDED: i64 = 2_000;

/// Offs are held at moments that nobody chose; when the phone is back it must hear of none whose window is over.
pub(crate) async fn late_announcements(mut given: Moments) -> Result<u32> {
    let mut machines = given.machines_of_all_kinds();
    let mut windows = BTreeMap::new();
    for (number, machine) in machines.iter_mut().enumerate() {
        let seconds = given.chance.span(Span(2), Span(5)).0;
        machine.more = format!("[guard]\nwindow = \"{seconds}s\"");
        windows.insert(format!("machine-{number}"), i64::try_from(seconds * 1_000)?);
    }
    let (floor, mut stations) = Floor::open(&mut given.chance, &machines).await?;
    let port = floor.broker.port();
    let (mut moments, mut on_time) = (0, 0);
    for _ in 0..given.rounds * 2 {
        let mut phone = Client::connect_lasting(port, "phone").await?;
        phone.subscribe("idlegate/announcement").await?;
        phone.subscribe("idlegate/decision").await?;
        drop(phone);
        let working = at_all(stations, |mut station| async move {
            station.works(true);
            station.passes_for(100, 2_500).await?;
            station.press().await?;
            Ok(station)
        });
        (stations, moments) = working.await?;
        tokio::time::sleep(stretch(&mut given.chance, 0, 6_000)).await;
        let back = Clock.now().wall;
        let mut phone = Client::connect_lasting(port, "phone").await?;
        on_time += hears_nothing_late(&mut phone, &windows, back).await?;
    }
    ensure!(on_time > 0, "the phone never heard anything at all");
    drop(stations);
    floor.close().await?;
    Ok(moments)
}

async fn hears_nothing_late(
    phone: &mut Client,
    windows: &BTreeMap<String, i64>,
    back: WallTime,
) -> Result<u32> {
    let until = Instant::now() + Duration::from_millis(1_500);
    let mut on_time = 0;
    while let Ok(message) = timeout_at(until, phone.message()).await {
        let told: Json =
            serde_json::from_slice(&message?.payload).context("what the phone hears is no JSON")?;
        if told["kind"] != "held" && told["decision"] != "held" {
            continue;
        }
        let window =
            told["machine"].as_str().and_then(|name| windows.get(name)).context("of which machine?")?;
        // Texts of one length in UTC: their order is the order of times.
        let not_before = rfc3339(WallTime(back.0 - window - ROUNDED));
        let at = told["at"].as_str().context("it does not say when")?;
        ensure!(at >= not_before.as_str(), "at {}, a window of {window} ms: {told}", rfc3339(back));
        on_time += 1;
    }
    Ok(on_time)
}
