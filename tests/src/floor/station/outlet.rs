//! What comes to the outlet of a machine, and whose hand is on it.

use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use rumqttc::v5::mqttbytes::v5::Publish;
use tokio::time::Instant;

use super::super::PATIENCE;
use super::{Happened, Station, WrongOff};

/// Somebody who waits for a machine to go off presses again after this time.
const PRESS_AGAIN: Duration = Duration::from_millis(900);

impl Station {
    /// An order has come to the outlet.
    pub(super) async fn obeys(&mut self, message: &Publish) -> Result<()> {
        if message.payload != "off" {
            return self.goes_on().await;
        }
        let now = Instant::now();
        // One that is off cannot be cut.
        let is_meant = self.is_off || self.is_meant_from.is_some_and(|from| from <= now);
        if let Some((until, why)) =
            self.forbidden.as_ref().filter(|(until, _)| now < *until && !is_meant && self.notebook.is_none())
        {
            let too_early = *until - now;
            let before = self.said.iter().map(|(at, what)| (now - *at, what.clone())).collect();
            return Err(WrongOff { machine: self.number, why: why.clone(), too_early, before }.into());
        }
        self.notes("off");
        self.offs += 1;
        self.happens(Happened::GoesOff);
        self.happens(Happened::Works(false));
        (self.is_off, self.went_off) = (true, Some(now));
        (self.works, self.next_reading, self.changed) = (false, now, true);
        self.pack.clear();
        let topic = format!("outlets/{}/says", self.number);
        self.client.publish_retained(&topic, "off").await
    }

    /// An order to go on has come.
    async fn goes_on(&mut self) -> Result<()> {
        if let Some(why) = &self.may_not_go_on {
            bail!("machine {} was ordered on: {why}; before: {:?}", self.number, self.said);
        }
        self.ordered_on = Some(Instant::now());
        self.is_on_again().await
    }

    pub fn was_ordered_on_after(&self, moment: Instant) -> bool {
        self.ordered_on.is_some_and(|at| moment <= at)
    }

    /// By its own button.
    pub async fn is_switched_off(&mut self) -> Result<()> {
        self.notes("off by hand");
        (self.is_off, self.works, self.changed) = (true, false, true);
        let topic = format!("outlets/{}/says", self.number);
        self.client.publish_retained(&topic, "off").await
    }

    /// Its outlet says this, whatever is true.
    pub async fn claims(&mut self, state: &str) -> Result<()> {
        self.notes(&format!("claims to be {state}"));
        let topic = format!("outlets/{}/says", self.number);
        self.client.publish_retained(&topic, state.to_owned()).await
    }

    /// Its contact is pushed in or released, and keeps its position at the broker.
    pub async fn latch(&mut self, position: &str) -> Result<()> {
        self.notes(position);
        self.client.publish_retained(&format!("latches/{}", self.number), position.to_owned()).await
    }

    /// Somebody asks at the panel.
    pub async fn panel(&mut self, word: &str) -> Result<()> {
        self.notes(word);
        self.publish(&format!("panels/{}", self.number), word).await
    }

    /// By its own button.
    pub async fn is_switched_on(&mut self) -> Result<()> {
        self.notes("on");
        (self.is_off, self.changed) = (false, true);
        self.next_reading = Instant::now();
        let topic = format!("outlets/{}/says", self.number);
        self.client.publish_retained(&topic, "on").await
    }

    /// By its own button, should it be off.
    pub async fn is_on_again(&mut self) -> Result<()> {
        if self.is_off { self.is_switched_on().await } else { Ok(()) }
    }

    /// What a guard is for, too: a machine at rest goes off when somebody presses. Then it is switched on again.
    pub async fn goes_off_at_rest(&mut self) -> Result<()> {
        self.changed |= self.works;
        self.works = false;
        let until = Instant::now() + PATIENCE;
        while !self.is_off {
            ensure!(Instant::now() < until, "machine {} stands idle and is never switched off", self.number);
            self.gesture("press").await.context("the button")?;
            self.passes(PRESS_AGAIN).await?;
        }
        self.allows();
        self.is_switched_on().await
    }
}
