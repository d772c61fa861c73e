//! One walk over the records, machine by machine.

use std::collections::BTreeMap;

use serde_json::Value;

use super::jobs::{self, Job};
use crate::event::Name;
use crate::journal::{Found, Kind, Query, Reader, StoreError};
use crate::plan::Tariff;
use crate::recording::parse_time;
use crate::time::{Span, WallTime};

pub(super) const MINUTE_MS: i64 = 60_000;
/// Drawings of years would have more decisions than anybody reads; the sums count all.
const DECISIONS_SHOWN_MAX: usize = 2_000;

/// From when to when, the end not included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Period {
    pub from: WallTime,
    pub to: WallTime,
}

/// What is to be counted.
#[derive(Clone, Debug)]
pub struct Terms {
    pub period: Period,
    pub machine: Option<Name>,
    pub tariff: Option<Tariff>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Ledger {
    pub period: Period,
    pub currency: Option<String>,
    pub machines: Vec<MachineSum>,
    /// Records that do not match their checksum; they were left out.
    pub damaged: usize,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct MachineSum {
    pub machine: String,
    /// By what the detectors said while the outlet was on.
    pub working: Span,
    pub idle: Span,
    /// On, and not known to be busy or idle.
    pub unclear: Span,
    pub off: Span,
    /// The guard was not there, or the outlet was out of reach.
    pub unseen: Span,
    pub joules: f64,
    /// Of it while idle.
    pub joules_idle: f64,
    pub cost: Option<f64>,
    pub watts_max: f64,
    /// The meter was not heard.
    pub silent: Span,
    pub jobs: Vec<Job>,
    pub requests: usize,
    pub held: usize,
    pub forced: usize,
    pub refused: usize,
    pub emergencies: usize,
    pub incidents: usize,
    /// How long it was off because the guard had switched it off when idle, and what it would have drawn meanwhile at
    /// its usual idle draw.
    pub off_by_guard: Span,
    pub joules_avoided: Option<f64>,
    /// The usual draw while idle.
    pub idle_watts: Option<f64>,
    /// Minute averages, for the picture: the minute's begin and watts.
    pub minutes: Vec<(WallTime, f64)>,
    /// What it counted as while on.
    pub stretches: Vec<Stretch>,
    /// For the picture; ignored ones are none.
    pub decisions: Vec<Decided>,
}

/// What was answered to a request.
#[derive(Clone, Debug, PartialEq)]
pub struct Decided {
    pub at: WallTime,
    /// "off by bench-button: held"
    pub words: String,
    pub answer: Answer,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Done, or nothing to do.
    Obeyed,
    /// Held, deferred or refused.
    NotObeyed,
    /// An emergency-off.
    Emergency,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doing {
    Working,
    Idle,
    Unclear,
    Off,
    Unseen,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    pub from: WallTime,
    pub until: WallTime,
    pub doing: Doing,
}

pub fn ledger(reader: &Reader, terms: &Terms) -> Result<Ledger, StoreError> {
    let Period { from, to } = terms.period;
    let kinds = vec![
        Kind::Decision,
        Kind::Order,
        Kind::Incident,
        Kind::Outlet,
        Kind::State,
        Kind::Energy,
        Kind::Start,
        Kind::Stop,
    ];
    let mut books: BTreeMap<String, Book> = BTreeMap::new();
    let mut damaged = 0;
    // What was so at the beginning was said before it; a week is as far back as that is looked for.
    let early = WallTime(from.0.saturating_sub(7 * 24 * 60 * MINUTE_MS));
    let query = Query { from: Some(early), to: Some(to), machine: None, kinds };
    for record in reader.records(&query) {
        let record = record?;
        if !record.intact {
            damaged += usize::from(record.at.wall >= from);
            continue;
        }
        match (record.kind(), record.machine.as_deref()) {
            // Nobody watched in between.
            (Some(Kind::Start | Kind::Stop), _) => {
                books.values_mut().for_each(|book| book.forget(record.at.wall));
            }
            (Some(kind), Some(machine)) => {
                if terms.machine.as_ref().is_some_and(|wanted| wanted.as_str() != machine) {
                    continue;
                }
                let new = || Book::new(machine, terms.period);
                books.entry(machine.to_owned()).or_insert_with(new).take(kind, &record, terms);
            }
            (_, _) => {}
        }
    }
    let machines = books.into_values().map(|book| book.close(terms)).collect();
    let currency = terms.tariff.as_ref().map(|tariff| tariff.currency.clone());
    Ok(Ledger { period: terms.period, currency, machines, damaged })
}

/// One machine's sums while they are made.
struct Book {
    sum: MachineSum,
    period: Period,
    since: WallTime,
    outlet: Option<bool>,
    busy: Option<bool>,
    /// The last order was a plain off, so that being off is the guard's doing.
    switched_off: bool,
}

impl Book {
    fn new(machine: &str, period: Period) -> Book {
        let sum = MachineSum { machine: machine.to_owned(), ..MachineSum::default() };
        Book { sum, period, since: period.from, outlet: None, busy: None, switched_off: false }
    }

    fn take(&mut self, kind: Kind, record: &Found, terms: &Terms) {
        let (at, body) = (record.at.wall, record.body());
        let counts = at >= self.period.from;
        match kind {
            Kind::Outlet => {
                self.pass(at);
                self.outlet = match body["state"].as_str() {
                    Some("on") => Some(true),
                    Some("off") => Some(false),
                    Some(_) | None => None,
                };
                self.switched_off &= self.outlet != Some(true);
            }
            Kind::State => {
                self.pass(at);
                self.busy = match body["state"].as_str() {
                    Some("busy") => Some(true),
                    Some("idle") => Some(false),
                    Some(_) | None => None,
                };
            }
            Kind::Order if body["not_sent"].is_null() => {
                self.switched_off = body["switch"] == "off" && body["cause"] == "plain";
            }
            Kind::Decision if counts => self.decision(at, &body),
            Kind::Incident => self.sum.incidents += usize::from(counts),
            Kind::Energy => self.energy(&body, terms),
            _ => {}
        }
    }

    /// Nothing is known from here on, until it is said anew.
    fn forget(&mut self, at: WallTime) {
        self.pass(at);
        (self.outlet, self.busy) = (None, None);
    }

    fn pass(&mut self, at: WallTime) {
        let until = WallTime(at.0.clamp(self.period.from.0, self.period.to.0));
        if until <= self.since {
            return;
        }
        let doing = match (self.outlet, self.busy) {
            (None, _) => Doing::Unseen,
            (Some(false), _) => Doing::Off,
            (Some(true), Some(true)) => Doing::Working,
            (Some(true), Some(false)) => Doing::Idle,
            (Some(true), None) => Doing::Unclear,
        };
        let length = Span(u64::try_from(until.0 - self.since.0).unwrap_or(0));
        let sum = &mut self.sum;
        let total = match doing {
            Doing::Working => &mut sum.working,
            Doing::Idle => &mut sum.idle,
            Doing::Unclear => &mut sum.unclear,
            Doing::Off => &mut sum.off,
            Doing::Unseen => &mut sum.unseen,
        };
        *total = *total + length;
        if doing == Doing::Off && self.switched_off {
            sum.off_by_guard = sum.off_by_guard + length;
        }
        match sum.stretches.last_mut() {
            Some(last) if last.doing == doing && last.until == self.since => last.until = until,
            Some(_) | None => sum.stretches.push(Stretch { from: self.since, until, doing }),
        }
        self.since = until;
    }

    fn decision(&mut self, at: WallTime, body: &Value) {
        let word = |key: &str| body[key].as_str().unwrap_or_default();
        let sum = &mut self.sum;
        sum.requests += 1;
        sum.held += usize::from(word("decision") == "held");
        sum.refused += usize::from(word("decision") == "refused");
        sum.forced += usize::from(word("reason") == "forced-in-window");
        sum.emergencies += usize::from(word("reason") == "emergency");
        if sum.decisions.len() < DECISIONS_SHOWN_MAX && word("decision") != "ignored" {
            let words = format!("{} by {}: {}", word("request"), word("input"), word("decision"));
            let answer = match word("decision") {
                _ if word("reason") == "emergency" => Answer::Emergency,
                "acted" | "nothing-to-do" => Answer::Obeyed,
                _ => Answer::NotObeyed,
            };
            sum.decisions.push(Decided { at, words, answer });
        }
    }

    fn energy(&mut self, body: &Value, terms: &Terms) {
        let Some(from) = body["from"].as_str().and_then(|from| parse_time(from).ok()) else { return };
        let sum = &mut self.sum;
        let mut counted = false;
        for (nth, joules) in (0_i64..).zip(body["joules"].as_array().into_iter().flatten()) {
            let minute = WallTime(from.0 + nth * MINUTE_MS);
            let Some(joules) =
                joules.as_f64().filter(|_| self.period.from <= minute && minute < self.period.to)
            else {
                continue;
            };
            counted = true;
            sum.joules += joules;
            sum.minutes.push((minute, joules / 60.0));
            if let Some(tariff) = &terms.tariff {
                *sum.cost.get_or_insert(0.0) += kilowatt_hours(joules) * tariff.at(minute);
            }
        }
        if counted {
            sum.watts_max = sum.watts_max.max(body["watts_max"].as_f64().unwrap_or(0.0));
            let silent = body["silent_s"].as_f64().unwrap_or(0.0).max(0.0);
            sum.silent = sum.silent + std::time::Duration::from_secs_f64(silent).into();
        }
    }

    fn close(mut self, terms: &Terms) -> MachineSum {
        self.pass(self.period.to);
        let mut sum = self.sum;
        sum.minutes.sort_by_key(|(at, _)| *at);
        sum.jobs = jobs::jobs(&sum, terms.tariff.as_ref());
        let idle: Vec<f64> = jobs::minutes_wholly(&sum, Doing::Idle).collect();
        sum.joules_idle = idle.iter().map(|watts| watts * 60.0).sum();
        sum.idle_watts = median(idle);
        let off_secs = sum.off_by_guard.as_secs_f64();
        sum.joules_avoided = sum.idle_watts.map(|watts| watts * off_secs);
        sum
    }
}

pub(super) fn kilowatt_hours(joules: f64) -> f64 {
    // 1 kWh = 3.6 MJ.
    joules / 3_600_000.0
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
