//! What is on the page, from what the loop has told, and what of it is new.

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::card::{Card, Since, recent_watts};
use super::lately::{self, Entry, Lately, Open, is_of_a_machine};
use super::plot::{Drawn, Plot, SLOT_MILLIS, SLOTS};
use super::restore::Past;
use super::{Fact, Turned};
use idlegate_engine::{Blindness, Subject};
use idlegate_guard::time::WallTime;
use idlegate_messages::effects::{blind, standing};
use idlegate_messages::{Guarding, MachineStatus, Told};

/// Every machine's status is told at least every ten seconds, as long as there is a broker.
const QUIET_MILLIS: i64 = 30_000;

/// Of all plots together, for one who has just come: in a hall of hundreds the plots are shorter, at first.
const POINTS_MAX: i64 = 40_000;
const SLOTS_LEAST: i64 = 30;

#[derive(Debug, Default)]
pub(super) struct Board {
    title: String,
    /// As the rules have them.
    names: Vec<String>,
    machines: BTreeMap<String, Machine>,
    /// Of machines that have not been heard of yet, too.
    plots: BTreeMap<String, Plot>,
    /// What stands in the way of guarding, by the guard's own word.
    guard: Vec<String>,
    open: Open,
    lately: Lately,
    news: News,
}

#[derive(Debug)]
struct Machine {
    status: MachineStatus,
    heard: WallTime,
    since: Since,
    /// The last sentence of each incident, by its kind.
    incidents: BTreeMap<String, String>,
    card: Card,
}

/// What has not been shown yet.
#[derive(Debug, Default)]
struct News {
    everything: bool,
    machines: BTreeSet<String>,
    alerts: bool,
    lately: Vec<Entry>,
}

/// Everything, for one who has just come.
#[derive(Debug, Serialize)]
pub(super) struct Whole<'a> {
    now: i64,
    title: &'a str,
    headline: String,
    alerts: Vec<&'a str>,
    machines: Vec<&'a Card>,
    lately: Vec<&'a Entry>,
    plots: BTreeMap<&'a str, Drawn>,
    slot_ms: i64,
    slots: i64,
}

/// Only what is not as it was.
#[derive(Debug, Serialize)]
pub(super) struct Changed<'a> {
    now: i64,
    headline: String,
    alerts: Vec<&'a str>,
    machines: Vec<&'a Card>,
    /// The newest last.
    lately: Vec<Entry>,
}

/// What is to be sent now, besides a sign of life.
#[derive(Debug)]
pub(super) enum Due<'a> {
    Whole(Whole<'a>),
    Changed(Changed<'a>),
    Nothing,
}

impl Board {
    pub(super) fn take(&mut self, fact: Fact, now: WallTime) {
        match fact {
            Fact::Machine(status) => self.machine(*status, now),
            Fact::Announced(told) => self.enter(Some(lately::told(&told, now))),
            Fact::Incident(told) => self.incident(&told, now),
            Fact::Decided(decision) => self.enter(lately::decided(&decision, now)),
            Fact::Turned(turned) => self.turned(&turned, now),
        }
    }

    /// What was before the start; what has been heard since is newer.
    pub(super) fn recall(&mut self, past: Past) {
        for (name, at, watts) in past.draw {
            self.plots.entry(name).or_default().add(at, watts);
        }
        past.lately.into_iter().for_each(|entry| drop(self.lately.add(entry)));
        self.news.everything = true;
    }

    fn machine(&mut self, status: MachineStatus, now: WallTime) {
        let name = status.machine.clone();
        if let Some(watts) = recent_watts(&status) {
            self.plots.entry(name.clone()).or_default().add(now, watts);
        }
        let before = self.machines.remove(&name);
        let stands = standing::stands(&status);
        let since = Since::next(before.as_ref().map(|machine| machine.since), stands, now);
        let (incidents, shown) =
            before.map_or_else(Default::default, |machine| (machine.incidents, Some(machine.card)));
        let mut card = Card::of(&status, now, shown.as_ref());
        since.show(&mut card);
        card.incidents = open_incidents(&status, &incidents);
        if shown.as_ref() != Some(&card) {
            self.news.machines.insert(name.clone());
        }
        self.machines.insert(name, Machine { status, heard: now, since, incidents, card });
    }

    fn incident(&mut self, told: &Told, now: WallTime) {
        if self.open.take(told) {
            self.news.alerts = true;
        } else if is_of_a_machine(&told.kind) {
            for name in &told.machines {
                let Some(machine) = self.machines.get_mut(name) else { continue };
                machine.incidents.insert(told.kind.to_string(), told.sentence.clone());
                machine.card.incidents = open_incidents(&machine.status, &machine.incidents);
                self.news.machines.insert(name.clone());
            }
        }
        self.enter(Some(lately::told(told, now)));
    }

    fn enter(&mut self, entry: Option<Entry>) {
        if let Some(entry) = entry.and_then(|entry| self.lately.add(entry)) {
            self.news.lately.push(entry);
        }
    }

    fn turned(&mut self, turned: &Turned, now: WallTime) {
        let guarding = turned.health.guarding();
        let said = troubles(turned.link_is_up, guarding);
        if said != self.guard {
            self.guard = said;
            self.news.alerts = true;
        }
        if let Some(guarding) = guarding.filter(|it| it.machines != self.names || it.title != self.title) {
            self.names.clone_from(&guarding.machines);
            self.title.clone_from(&guarding.title);
            let names: BTreeSet<&String> = self.names.iter().collect();
            self.machines.retain(|name, _| names.contains(name));
            self.plots.retain(|name, _| names.contains(name));
            self.news.everything = true;
        }
        for (name, machine) in &mut self.machines {
            let quiet = now.0 - machine.heard.0 > QUIET_MILLIS;
            if quiet != machine.card.quiet {
                machine.card.quiet = quiet;
                self.news.machines.insert(name.clone());
            }
        }
    }

    /// What has changed since this was asked last.
    pub(super) fn due(&mut self, now: WallTime) -> Due<'_> {
        let news = std::mem::take(&mut self.news);
        if news.everything {
            return Due::Whole(self.whole(now));
        }
        if news.machines.is_empty() && news.lately.is_empty() && !news.alerts {
            return Due::Nothing;
        }
        let machines = self.names.iter().filter(|name| news.machines.contains(*name));
        Due::Changed(Changed {
            now: now.0,
            headline: self.headline(),
            alerts: self.alerts(),
            machines: machines.filter_map(|name| Some(&self.machines.get(name)?.card)).collect(),
            lately: news.lately,
        })
    }

    pub(super) fn whole(&self, now: WallTime) -> Whole<'_> {
        let machines = i64::try_from(self.machines.len()).unwrap_or(i64::MAX);
        let slots = (POINTS_MAX / machines.max(1)).clamp(SLOTS_LEAST, SLOTS);
        let shown = self.plots.iter().filter(|(name, _)| self.machines.contains_key(*name));
        Whole {
            now: now.0,
            title: &self.title,
            headline: self.headline(),
            alerts: self.alerts(),
            machines: self.names.iter().filter_map(|name| Some(&self.machines.get(name)?.card)).collect(),
            lately: self.lately.entries().collect(),
            plots: shown.map(|(name, plot)| (name.as_str(), plot.drawn(now, slots))).collect(),
            slot_ms: SLOT_MILLIS,
            slots: SLOTS,
        }
    }

    fn headline(&self) -> String {
        let known = self.names.iter().filter_map(|name| Some(&self.machines.get(name)?.status));
        standing::headline(known)
    }

    fn alerts(&self) -> Vec<&str> {
        self.guard.iter().map(String::as_str).chain(self.open.sentences()).collect()
    }
}

/// Those that the status lists, in the words in which they were told, if they were.
fn open_incidents(status: &MachineStatus, told: &BTreeMap<String, String>) -> Vec<String> {
    let title = &status.title;
    let words = |kind: &str| format!("{title}: {}.", standing::open_incident(kind));
    let sentence =
        |kind: &std::borrow::Cow<'static, str>| told.get(&**kind).cloned().unwrap_or_else(|| words(kind));
    // What cannot be seen is said piece by piece; a detector has an incident of its own.
    let unseen = status.blind.iter().filter(|spot| spot.kind != Blindness::DetectorOut.word());
    let unseen = unseen.map(|spot| format!("{title}: {}.", blind::lasting(spot)));
    let others = status.incidents.iter().filter(|kind| *kind != Subject::Blind.word());
    others.map(sentence).chain(unseen).collect()
}

/// What is wrong with the guarding itself.
fn troubles(link_is_up: bool, guarding: Option<&Guarding>) -> Vec<String> {
    let mut said = Vec::new();
    if !link_is_up {
        said.push(
            "Idlegate has no connection to the broker. Until it is back, no button reaches Idlegate and Idlegate switches \
             nothing."
                .to_owned(),
        );
    }
    let Some(guarding) = guarding else { return said };
    if let Some(journal) = guarding.journal.as_deref().filter(|it| *it != "ok" && !it.starts_with("none")) {
        said.push(format!("The journal does not record as it should: {journal}."));
    }
    if guarding.reload.as_ref().is_some_and(|reload| reload.outcome == "kept-old") {
        said.push("The changed rules have a mistake, so the old ones stay in force.".to_owned());
    }
    for spot in guarding.blind.iter().filter(|spot| spot.machine.is_none()) {
        match Blindness::from_word(&spot.kind) {
            // Said above, and as an incident of its own.
            Some(Blindness::JournalOut | Blindness::LateBroker) => {}
            Some(_) | None => {
                let about = spot.input.as_deref().unwrap_or("Idlegate");
                said.push(format!("{about}: {}.", blind::lasting(spot)));
            }
        }
    }
    said
}
