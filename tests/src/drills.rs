//! Drills that work by spells, their outlets, and people who ask all the time that they be switched off: a scene on a
//! real broker in which a plain off is right at one moment and wrong at the next. The judge knows what was said and
//! what is true.

use std::path::Path;
use std::time::Duration;

use anyhow::Result;
use bytes::Bytes;
use serde_json::json;
use tokio::sync::watch::{Receiver, channel};
use tokio::time::{Instant, MissedTickBehavior, interval};

use crate::client::Client;
use crate::judge::watch::{Watch, Wiring};
use crate::judge::{Limits, Machine, Says, Tolerance};
use crate::proxy::{Proxy, Withheld};
use crate::shop::{self, Guard, MILL};

/// So many that something happens at one of them every second or so.
pub const DRILLS: usize = 10;
const BEAT: Duration = Duration::from_millis(100);
const DWELL: Duration = Duration::from_secs(2);
/// Longer than one and the same gesture is taken for a repeated one.
const ASK_EVERY: Duration = Duration::from_millis(2_300);
const WORKS_FOR: Duration = Duration::from_secs(4);
/// A meter that loses its mind for a moment.
const NONSENSE: [&str; 3] = ["overload", "NaN", "4,5,6"];

/// On a busy computer. How fast anything goes is not judged, so what crosses on the way may be many.
pub const LIMITS: Limits =
    Limits { unseen: 25.0, lied: 0.0, on_its_way: 25.0, crossed: 25.0, free: 3, plain_min: 8 };

/// Rules for them beside those of the mill.
pub fn write_rules(dir: &Path) -> Result<()> {
    for nth in 0..DRILLS {
        let text = MILL.replace("Mill", &format!("Drill {nth}")).replace("mill", &name(nth));
        let text = text.replace("300 ms", &format!("{} s", DWELL.as_secs()));
        std::fs::write(dir.join(format!("machines/{}.toml", name(nth))), text)?;
    }
    Ok(())
}

fn name(nth: usize) -> String {
    format!("drill-{nth}")
}

/// Somebody who watches them through a proxy.
pub fn watch() -> Watch {
    let machines = (0..DRILLS).map(|nth| {
        let name = name(nth);
        let wiring = Wiring {
            meter: format!("meters/{name}"),
            order: format!("outlets/{name}/order"),
            off: "off".to_owned(),
        };
        let machine = Machine {
            name,
            busy_watts: 100.0,
            quiet_watts: 50.0,
            dwell: DWELL,
            silence_max: DWELL,
            unseen_max: Duration::from_secs(31),
            order_lasts: Duration::from_secs(2),
            order_repeats: Duration::from_secs(5),
            window: Duration::from_secs(10),
        };
        (machine, wiring)
    });
    let tolerance = Tolerance { crossing: Duration::from_secs(1), dwell: Duration::from_millis(500) };
    Watch::new(machines.collect(), tolerance)
}

#[derive(Debug)]
struct Drill {
    name: String,
    nth: usize,
    on: bool,
    works: bool,
    /// When it begins or ends to work next.
    turns: Instant,
    asks: Instant,
    spells: u32,
}

/// Lets them work until it is time to stop.
pub async fn run(port: u16, watch: Watch, mut stopped: Receiver<bool>) -> Result<()> {
    let mut client = Client::connect(port).await?;
    client.subscribe("outlets/+/order").await?;
    let now = Instant::now();
    let mut drills: Vec<Drill> = Vec::new();
    for nth in 0..DRILLS {
        let phase = BEAT * u32::try_from(nth * 17)?;
        let name = name(nth);
        drills.push(Drill {
            name,
            nth,
            on: true,
            works: false,
            turns: now + DWELL + phase,
            asks: now + DWELL + phase / 2,
            spells: 0,
        });
        client.publish_retained(&format!("outlets/drill-{nth}/says"), "on".to_owned()).await?;
    }
    let mut beat = interval(BEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut said = 0_u64;
    while !*stopped.borrow_and_update() {
        beat.tick().await;
        while let Some(message) = client.try_message() {
            let topic = String::from_utf8_lossy(&message.topic).into_owned();
            if let Some(drill) =
                drills.iter_mut().find(|drill| topic == format!("outlets/{}/order", drill.name))
            {
                drill.obey(&mut client, &watch, &message.payload).await?;
            }
        }
        for drill in &mut drills {
            said += 1;
            drill.live(&mut client, &watch, said).await?;
        }
    }
    Ok(())
}

impl Drill {
    async fn obey(&mut self, client: &mut Client, watch: &Watch, word: &Bytes) -> Result<()> {
        self.on = word == "on";
        if !self.on {
            watch.received(self.nth);
            self.works(watch, false);
        }
        // Switched on it stands idle for a moment, and so it does for a while before anybody wants it again.
        let pause = if self.on { 10 } else { 1_000 };
        self.turns = Instant::now() + BEAT * pause;
        client.publish_retained(&format!("outlets/{}/says", self.name), word.clone()).await
    }

    fn works(&mut self, watch: &Watch, works: bool) {
        self.works = works;
        watch.truth(self.nth, works);
    }

    async fn live(&mut self, client: &mut Client, watch: &Watch, said: u64) -> Result<()> {
        let now = Instant::now();
        if self.on && now >= self.turns {
            self.works(watch, !self.works);
            self.spells += 1;
            // Idle for a little less than a dwell, or for more.
            let idle = DWELL - BEAT * 4 + BEAT * (self.spells * 7 % 40);
            self.turns = now + if self.works { WORKS_FOR } else { idle };
        }
        let nonsense = !self.works && said.is_multiple_of(61);
        let watts = if self.works { 300 } else { 3 };
        let (payload, says) = if nonsense {
            let nth = usize::try_from(said)? % NONSENSE.len();
            (NONSENSE[nth].to_owned(), Says::Rubbish)
        } else {
            (format!("{watts}.{:06}", said % 1_000_000), Says::Watts(f64::from(watts)))
        };
        let topic = format!("meters/{}", self.name);
        watch.says(&topic, &payload, says);
        client.publish_at_most_once(&topic, payload).await?;
        if now >= self.asks {
            self.asks = now + ASK_EVERY;
            let request = if self.on { "off" } else { "on" };
            let body = json!({ "machine": self.name, "request": request }).to_string();
            client.publish_at_most_once("idlegate/request/console", body).await?;
        }
        Ok(())
    }
}

/// Mistakes behind the proxy, each of which the judge has to find: in words, and which messages never reach the guard.
const PLANTS: [(&str, Withheld); 2] = [
    ("a reading that shows work is lost after it was delivered", |message| {
        message.topic.starts_with("meters/drill") && message.payload.starts_with(b"300.")
    }),
    ("a message that cannot be read is lost after it was delivered", |message| {
        let nonsense = |word: &&str| word.as_bytes() == message.payload;
        message.topic.starts_with("meters/drill") && NONSENSE.iter().any(nonsense)
    }),
];
/// Any of them is found within seconds.
const FOUND_WITHIN: Duration = Duration::from_secs(90);

/// A mistake in words, and what the judge found.
pub type Found = (&'static str, Option<String>);

/// A guard of its own with each of the mistakes, and what the judge found.
pub async fn plant(broker: u16) -> Result<Vec<Found>> {
    let mut found = Vec::new();
    for (words, withheld) in PLANTS {
        let watch = watch();
        let proxy = Proxy::start_with(broker, watch.tap(), Some(withheld)).await?;
        let dir = tempfile::tempdir()?;
        shop::write_rules(dir.path(), proxy.port())?;
        write_rules(dir.path())?;
        let guard = Guard::following(dir.path())?;
        let (stop, stopped) = channel(false);
        let drilling = tokio::spawn(run(broker, watch.clone(), stopped));
        let end = Instant::now() + FOUND_WITHIN;
        let mut finding = None;
        while finding.is_none() && Instant::now() < end {
            tokio::time::sleep(BEAT).await;
            finding = watch.close().map_err(anyhow::Error::msg)?.findings.first().map(ToString::to_string);
        }
        stop.send(true)?;
        drilling.await??;
        guard.stop().await?;
        match &finding {
            Some(finding) => println!("planted: {words}: found {finding}"),
            None => println!("planted: {words}: NOT found"),
        }
        found.push((words, finding));
    }
    Ok(found)
}
