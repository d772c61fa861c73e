//! What the meter of a machine says, and when.

use std::time::Duration;

use anyhow::Result;
use tokio::time::Instant;

use super::super::meter::Meter;
use super::super::rules::alive_topic;
use super::super::stretch;
use super::{Happened, Station};

/// From one reading to the next, roughly.
const READING_MILLIS: (u64, u64) = (120, 280);
/// From one sign of life to the next.
const SIGN_MILLIS: (u64, u64) = (250, 600);
/// How often the value of a meter that speaks only of changes moves by itself.
const MOVES: f64 = 0.04;
const PACK_READINGS: usize = 8;

impl Station {
    /// The meter says what it measures.
    pub(super) async fn reads(&mut self) -> Result<()> {
        if self.machine.on_change {
            return self.reads_a_change().await;
        }
        self.next_reading = Instant::now() + stretch(&mut self.chance, READING_MILLIS.0, READING_MILLIS.1);
        if self.is_off {
            // Counted, so that no two of its messages are alike.
            self.zeros = self.zeros.wrapping_add(1);
            let watts = f64::from(self.zeros) / 1e4;
            let payload = self.machine.meter.says(watts, &mut self.chance);
            return self.means(payload, &[(0.0, Some(watts))]).await;
        }
        let watts =
            if self.works { self.chance.between(150.0, 900.0) } else { self.chance.between(2.0, 12.0) };
        if self.machine.meter != Meter::Packs {
            if self.works {
                self.forbids("it was at work");
            }
            let payload = self.machine.meter.says(watts, &mut self.chance);
            return self.means(payload, &[(0.0, Some(watts))]).await;
        }
        self.pack.push((Instant::now(), watts));
        if self.pack.len() < PACK_READINGS { Ok(()) } else { self.sends_pack().await }
    }

    /// Says how it is if that is new, and else only that it is there.
    async fn reads_a_change(&mut self) -> Result<()> {
        self.next_reading = Instant::now() + stretch(&mut self.chance, SIGN_MILLIS.0, SIGN_MILLIS.1);
        if self.works {
            self.forbids("it was at work");
        }
        let moves = !self.is_off && self.chance.happens(MOVES);
        if !std::mem::take(&mut self.changed) && !moves {
            return self.shows_life().await;
        }
        let watts = match (self.is_off, self.works) {
            (true, _) => 0.0,
            (false, true) => self.chance.between(150.0, 900.0),
            (false, false) => self.chance.between(2.0, 12.0),
        };
        if std::mem::replace(&mut self.said_work, self.works) {
            self.forbids("it had only just ended its work");
        }
        let payload = self.machine.meter.says(watts, &mut self.chance);
        self.means(payload, &[(0.0, Some(watts))]).await
    }

    /// The meter says that it is there, and nothing else.
    pub async fn shows_life(&mut self) -> Result<()> {
        self.zeros = self.zeros.wrapping_add(1);
        let uptime = self.zeros.to_string();
        self.says_on(&alive_topic(self.number), uptime).await
    }

    async fn sends_pack(&mut self) -> Result<()> {
        let now = Instant::now();
        // What nobody was told, nobody could know.
        if let Some((at, _)) = self.pack.iter().rev().find(|(_, watts)| *watts > 100.0) {
            self.forbids_until(*at + self.machine.dwell, "its last pack shows work");
        }
        let readings = self.pack.drain(..);
        let mut readings: Vec<(f64, f64)> =
            readings.map(|(at, watts)| ((now - at).as_secs_f64(), watts)).collect();
        // Their order in the pack is the sender's affair; their times say what was first.
        if self.chance.happens(0.5) {
            readings.reverse();
        }
        let means: Vec<_> = readings.iter().map(|(ago, watts)| (*ago, Some(*watts))).collect();
        self.means(Meter::pack(&readings), &means).await
    }

    /// Something that nobody can read.
    pub async fn babbles(&mut self) -> Result<()> {
        let babble = self.machine.meter.babbles(&mut self.chance);
        self.means(babble, &[(0.0, None)]).await
    }

    pub async fn means(&mut self, payload: impl Into<Vec<u8>>, means: &[(f64, Option<f64>)]) -> Result<()> {
        let payload = payload.into();
        let means = means.iter().map(|(ago, watts)| (Duration::from_secs_f64(*ago), *watts)).collect();
        self.happens(Happened::Says { payload: payload.clone(), means });
        self.says(payload).await
    }

    /// On the meter's topic, when the broker has confirmed it.
    pub async fn says(&mut self, payload: impl Into<Vec<u8>>) -> Result<()> {
        let topic = self.machine.topic(self.number);
        self.says_on(&topic, payload).await
    }

    pub async fn says_on(&mut self, topic: &str, payload: impl Into<Vec<u8>>) -> Result<()> {
        let payload = payload.into();
        self.notes(&format!("{topic} {}", String::from_utf8_lossy(&payload)));
        let voice = self.far.as_mut().unwrap_or(&mut self.client);
        if self.machine.retains {
            voice.publish_retained(topic, payload).await
        } else {
            voice.publish(topic, payload).await
        }
    }
}
