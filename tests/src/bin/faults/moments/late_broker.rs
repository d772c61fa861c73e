//! Brokers that deliver what has expired, and brokers that do not. Which kind one is, an outlet knows that was away: an
//! off was sent to it, and it comes back when that is long over.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use idlegate_demo::workshop::Chance;
use idlegate_guard::time::Span;
use idlegate_plan::{Login, Secret};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::careless::{Careless, Ignores};
use idlegate_tests::client::Client;
use idlegate_tests::floor::{PATIENCE, stretch};
use idlegate_tests::shop::{Guard, Mill, plan};
use serde_json::Value as Json;
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep, timeout, timeout_at};

use super::Moments;

const SHOPS: usize = 6;
/// An off lasts two seconds, and brokers count in whole ones.
const AWAY_MILLIS: (u64, u64) = (3_500, 7_000);
/// Longer than an outlet is away, so that it is sent no other.
const CONFIRM_WITHIN: Span = Span::secs(60);
const WORD: &str = "off";

/// Shops with brokers of both kinds. People are told where an off came late, and nobody is slandered.
pub(crate) async fn late_offs(mut given: Moments) -> Result<u32> {
    let mut shops = JoinSet::new();
    for number in 0..SHOPS {
        let (chance, rounds) = (given.chance.branch(), given.rounds);
        let late = match number {
            0 => true,
            1 => false,
            _ => given.chance.happens(0.5),
        };
        shops.spawn(async move {
            let mut shop = Shop::new(late, chance).await?;
            for _ in 0..rounds {
                shop.tries().await?;
            }
            anyhow::Ok(rounds)
        });
    }
    let mut moments = 0;
    while let Some(ended) = shops.join_next().await {
        moments += ended??;
    }
    Ok(moments)
}

struct Shop {
    broker: Mosquitto,
    careless: Careless,
    late: bool,
    chance: Chance,
}

impl Shop {
    async fn new(late: bool, chance: Chance) -> Result<Shop> {
        let broker = Mosquitto::start()?;
        let careless = Careless::start(broker.port(), Ignores { expiry: late, ..Ignores::default() }).await?;
        Ok(Shop { broker, careless, late, chance })
    }

    /// One life of a guard.
    async fn tries(&mut self) -> Result<()> {
        let mut ears = Client::connect(self.broker.port()).await?;
        ears.subscribe("idlegate/incident").await?;
        let mut plan = plan(self.careless.port())?;
        let secret = Secret::new("probe-secret".into());
        plan.shop.broker.probe = Some(Login { user: "probe".into(), password: secret });
        plan.machines[0].policy.confirm_within = CONFIRM_WITHIN;
        let guard = Guard::start(plan, None)?;
        let mut mill = Mill::meet(self.broker.port()).await?;
        let came_late = self.off_for_one_who_is_away(&mut mill).await?;
        ensure!(
            came_late == self.late,
            "the broker is not what it is taken for: an off came late: {came_late}"
        );
        let tried =
            |health: &Json| !health["message_expiry"].as_str().is_none_or(|it| it.contains("not yet"));
        // Retained, so that it says how it stands.
        mill.client.subscribe("idlegate/health").await?;
        let heard = mill.client.hears_json("idlegate/health", PATIENCE, tried).await;
        let found = heard.context("it was never tried")?["message_expiry"].clone();
        sleep(Duration::from_millis(500)).await;
        let mut told = false;
        while let Some(message) = ears.try_message() {
            let said: Json = serde_json::from_slice(&message.payload)?;
            told |= said["kind"] == "late-broker" && said["over"] == false;
        }
        ensure!(told == came_late, "an off came late: {came_late}; people were told so: {told} ({found})");
        guard.stop().await
    }

    /// Whether an off that has expired is delivered to the outlet.
    async fn off_for_one_who_is_away(&mut self, mill: &mut Mill) -> Result<bool> {
        let port = self.broker.port();
        let mut outlet = Client::connect_lasting(port, "outlet").await?;
        outlet.subscribe("outlets/mill/order").await?;
        // Nothing is left of an earlier round.
        sleep(Duration::from_millis(200)).await;
        while outlet.try_message().is_some() {}
        mill.outlet_is("on").await?;
        mill.draws("12", "idle").await?;
        sleep(stretch(&mut self.chance, 0, 1_500)).await;
        drop(outlet);
        sleep(stretch(&mut self.chance, 50, 500)).await;
        is_ordered_off(mill).await?;
        sleep(stretch(&mut self.chance, AWAY_MILLIS.0, AWAY_MILLIS.1)).await;
        let mut outlet = Client::connect_lasting(port, "outlet").await?;
        let until = Instant::now() + Duration::from_secs(1);
        let mut came = false;
        while let Ok(message) = timeout_at(until, outlet.message()).await {
            came |= message?.payload == WORD;
        }
        mill.client.publish_retained("outlets/mill/says", WORD).await?;
        Ok(came)
    }
}

/// On a computer that stands still for a while a press may be too old; people press again.
async fn is_ordered_off(mill: &mut Mill) -> Result<()> {
    let pressed = async {
        loop {
            mill.gesture("press").await?;
            if let Ok(order) = timeout(Duration::from_millis(2_500), mill.order()).await {
                ensure!(order?.payload == WORD, "another order than an off");
                return Ok(());
            }
        }
    };
    timeout(PATIENCE, pressed).await.context("an idle mill is not switched off")?
}
