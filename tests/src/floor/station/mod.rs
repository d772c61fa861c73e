//! One machine of the floor: what it does, what its meter says, who presses its button, and what comes to its outlet.

mod meter;
mod outlet;

use std::collections::VecDeque;
use std::fmt;
use std::time::Duration;

use anyhow::Result;
use idlegate_demo::workshop::Chance;
use tokio::sync::mpsc::UnboundedSender;
use tokio::time::{Instant, sleep_until};

use super::meter::Meter;
use super::rules::Machine;
use super::stretch;
use crate::client::Client;

/// So much of what was said is told of a machine that was cut.
const TOLD_MAX: usize = 24;

/// An off came to the outlet of a machine that works, or of which nobody could know that it did not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrongOff {
    pub machine: usize,
    pub why: String,
    pub too_early: Duration,
    /// What was said at the machine before, so long before it.
    pub before: Vec<(Duration, String)>,
}

impl fmt::Display for WrongOff {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let WrongOff { machine, why, too_early, before: _ } = self;
        write!(f, "machine {machine} was switched off {too_early:?} too early: {why}")
    }
}

impl std::error::Error for WrongOff {}

/// Something happened at a machine.
#[derive(Clone, Debug)]
pub struct Note {
    pub at: Instant,
    pub machine: usize,
    pub what: Happened,
}

#[derive(Clone, Debug)]
pub enum Happened {
    /// The meter says this, and means these readings, each measured so long before; nothing where it means nothing.
    Says {
        payload: Vec<u8>,
        means: Vec<(Duration, Option<f64>)>,
    },
    Works(bool),
    /// An off has reached the outlet.
    GoesOff,
}

#[derive(Debug)]
pub struct Station {
    number: usize,
    pub chance: Chance,
    pub machine: Machine,
    client: Client,
    /// Where its meter and its button speak, if that is at another broker.
    far: Option<Client>,
    works: bool,
    /// The meter says nothing.
    silent: bool,
    next_reading: Instant,
    /// Readings that wait for their pack to be full.
    pack: Vec<(Instant, f64)>,
    /// The draw is another than the one that its meter said last, and whether that one showed work.
    changed: bool,
    said_work: bool,
    /// An off before then is wrong, and why.
    forbidden: Option<(Instant, String)>,
    /// From then on somebody means it to go off, at work or not.
    is_meant_from: Option<Instant>,
    /// Why an order to go on is wrong.
    may_not_go_on: Option<String>,
    ordered_on: Option<Instant>,
    is_off: bool,
    went_off: Option<Instant>,
    offs: u32,
    presses: u32,
    zeros: u16,
    said: VecDeque<(Instant, String)>,
    /// Where everything is noted, for a judge; then nothing is judged here.
    notebook: Option<UnboundedSender<Note>>,
}

impl Station {
    pub(super) async fn new(port: u16, number: usize, machine: Machine, chance: Chance) -> Result<Station> {
        let mut client = Client::connect(port).await?;
        client.subscribe(&format!("outlets/{number}/order")).await?;
        Ok(Station {
            number,
            chance,
            machine,
            client,
            far: None,
            works: false,
            silent: false,
            next_reading: Instant::now(),
            pack: Vec::new(),
            changed: true,
            said_work: false,
            forbidden: None,
            is_meant_from: None,
            may_not_go_on: None,
            ordered_on: None,
            is_off: false,
            went_off: None,
            offs: 0,
            presses: 0,
            zeros: 0,
            said: VecDeque::new(),
            notebook: None,
        })
    }

    /// From now on everything is noted there, and judged by whoever reads it.
    pub fn is_noted_in(&mut self, notebook: UnboundedSender<Note>) {
        self.notebook = Some(notebook);
    }

    /// From now on its meter and its button speak at the broker on this port.
    pub async fn speaks_at(&mut self, port: u16) -> Result<()> {
        self.far = Some(Client::connect(port).await?);
        Ok(())
    }

    fn happens(&self, what: Happened) {
        if let Some(notebook) = &self.notebook {
            // Whoever has stopped reading has judged.
            let _ = notebook.send(Note { at: Instant::now(), machine: self.number, what });
        }
    }

    pub fn number(&self) -> usize {
        self.number
    }

    /// How many there have been: each was a moment that was tried.
    pub fn presses(&self) -> u32 {
        self.presses
    }

    /// How many offs have come to its outlet.
    pub fn offs(&self) -> u32 {
        self.offs
    }

    pub fn went_off_after(&self, moment: Instant) -> bool {
        self.went_off.is_some_and(|at| moment <= at)
    }

    pub fn is_off(&self) -> bool {
        self.is_off
    }

    /// Time goes by: the meter speaks, and whatever comes to the outlet is judged.
    pub async fn passes(&mut self, span: Duration) -> Result<()> {
        let until = Instant::now() + span;
        loop {
            let next = if self.silent { until } else { self.next_reading.min(until) };
            tokio::select! {
                biased;
                message = self.client.message() => self.obeys(&message?).await?,
                () = sleep_until(next) => {
                    if next == until {
                        return Ok(());
                    }
                    self.reads().await?;
                }
            }
        }
    }

    /// A stretch of time whose length is chance.
    pub async fn passes_for(&mut self, shortest_millis: u64, longest_millis: u64) -> Result<()> {
        let span = stretch(&mut self.chance, shortest_millis, longest_millis);
        self.passes(span).await
    }

    /// From now on.
    pub fn works(&mut self, works: bool) {
        (self.works, self.changed) = (works, true);
        self.happens(Happened::Works(works));
        if !works && self.machine.meter == Meter::Packs {
            // What it did until now stands in the pack that is still to come.
            return;
        }
        self.next_reading = Instant::now();
    }

    pub fn is_silent(&mut self, silent: bool) {
        self.silent = silent;
        // Whoever is there again says first how it is.
        self.changed |= !silent;
        self.pack.clear();
    }

    /// From now on an off is wrong until a whole dwell has passed, or until something else is said.
    pub fn forbids(&mut self, why: &str) {
        self.forbids_until(Instant::now() + self.machine.dwell, why);
    }

    pub fn forbids_until(&mut self, until: Instant, why: &str) {
        if self.forbidden.as_ref().is_none_or(|(before, _)| *before < until) {
            self.forbidden = Some((until, why.to_owned()));
        }
    }

    pub fn allows(&mut self) {
        self.forbidden = None;
    }

    /// From then on no off is wrong.
    pub fn is_meant_to_go_off(&mut self, from: Instant) {
        self.is_meant_from = Some(from);
    }

    /// From now on an off is wrong again while it works.
    pub fn is_not_meant_to_go_off(&mut self) {
        self.is_meant_from = None;
    }

    /// From now on no order may switch it on, or any may.
    pub fn may_not_go_on(&mut self, why: Option<&str>) {
        self.may_not_go_on = why.map(str::to_owned);
    }

    pub async fn press(&mut self) -> Result<()> {
        self.presses += 1;
        self.gesture("press").await
    }

    /// Holds the button down: so that nobody knows beforehand when.
    pub async fn hold_down(&mut self) -> Result<()> {
        self.presses += 1;
        self.gesture("long-press").await
    }

    pub async fn gesture(&mut self, word: &str) -> Result<()> {
        self.notes(word);
        let voice = self.far.as_mut().unwrap_or(&mut self.client);
        voice.publish(&format!("buttons/{}", self.number), word.to_owned()).await
    }

    fn notes(&mut self, what: &str) {
        if self.said.len() == TOLD_MAX {
            self.said.pop_front();
        }
        self.said.push_back((Instant::now(), what.to_owned()));
    }

    pub async fn publish(&mut self, topic: &str, payload: &str) -> Result<()> {
        self.client.publish(topic, payload.to_owned()).await
    }
}
