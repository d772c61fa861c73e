//! One walk over the records, machine by machine.

use std::collections::BTreeMap;

use super::blind::{BlindTime, by_machine};
use super::book::Book;
use super::cuts::CutJob;
use super::jobs::Job;
use super::opening;
use super::silences::Silences;
use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::{JournalReader, Query, RecordKind, StoreError};
use idlegate_messages::Told;
use idlegate_plan::event::Name;
use idlegate_plan::{ModuleSource, Plan, Tariff};

pub(super) const MINUTE_MS: i64 = 60_000;
/// What was drawn before the end is on record within this time after it, even where a meter is silent for a while.
const BOOKED_WITHIN_MS: i64 = 24 * 60 * MINUTE_MS;
/// Whoever has given a sign of life this recently is still there.
const ALIVE_MS: i64 = 5 * MINUTE_MS;

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
    /// What people call the machines, as far as the rules are known.
    pub titles: BTreeMap<String, String>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Ledger {
    pub period: Period,
    pub tariff: Option<Tariff>,
    pub machines: Vec<MachineSum>,
    /// Records that do not match their checksum; they were left out.
    pub damaged: usize,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct MachineSum {
    pub machine: String,
    /// For people; its name where nothing else is known.
    pub title: String,
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
    /// By kind of blindness.
    pub blind: BTreeMap<String, BlindTime>,
    pub silences: Silences,
    /// Below what draw its rules call it quiet, where they are known.
    pub quiet_watts: Option<f64>,
    /// What one of its jobs is worth, where its rules are known.
    pub job_worth: Option<Span>,
    /// How long it was off because the guard had switched it off when idle, and what it would have drawn meanwhile at
    /// its usual idle draw.
    pub off_by_guard: Span,
    pub joules_avoided: Option<f64>,
    /// The usual draw while idle.
    pub idle_watts: Option<f64>,
    /// Minute averages, for the picture: the minute's begin and watts.
    pub minutes: Vec<(WallTime, f64)>,
    /// Jobs that ended because their power went.
    pub cuts: Vec<CutJob>,
    /// What was asked while it was in shadow mode. None of it is in the sums above.
    pub shadow: ShadowSum,
    /// Of these, the offs, as far as a trial looks at them.
    pub shadow_offs: Vec<ShadowOff>,
    /// What it counted as while on.
    pub stretches: Vec<Stretch>,
    /// For the picture; ignored ones are none.
    pub decisions: Vec<Decided>,
}

/// In shadow mode somebody asked for an off, of a machine that was not off already.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShadowOff {
    pub at: WallTime,
    pub verdict: ShadowSays,
    /// What became of the outlet, where the guard was still there to see it.
    pub followed: Option<Followed>,
}

/// What became of an outlet within ten seconds of what was decided in shadow mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Followed {
    Agrees,
    /// It was switched off, and would have been left on.
    Cut,
    /// It would have been switched off, and stayed on.
    LeftOn,
    Unseen,
}

/// What Idlegate would have done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShadowSays {
    Off,
    Held,
    Deferred,
}

/// What was only decided, and not done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ShadowSum {
    pub requests: usize,
    /// It would have been done, or nothing was to be done.
    pub obeyed: usize,
    pub held: usize,
    pub deferred: usize,
    pub refused: usize,
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

impl Ledger {
    pub fn currency(&self) -> Option<&str> {
        self.tariff.as_ref().map(|tariff| tariff.currency.as_str())
    }

    /// Every job that was cut, and the machine whose it was; in order of time.
    pub fn cuts(&self) -> Vec<(&MachineSum, &CutJob)> {
        let mut cuts: Vec<_> =
            self.machines.iter().flat_map(|sum| sum.cuts.iter().map(move |cut| (sum, cut))).collect();
        cuts.sort_by_key(|(_, cut)| cut.at);
        cuts
    }

    /// What the rules say of the machines.
    pub fn know_rules(&mut self, plan: &Plan) {
        for sum in &mut self.machines {
            let machine = plan.machine(&sum.machine).map(|(_, machine)| machine);
            if let Some(seen) = machine.and_then(|machine| machine.learning.seen_until) {
                sum.silences.forget_until(seen);
            }
            sum.job_worth = machine.map(|machine| machine.learning.job_worth);
            let detectors = machine.into_iter().flat_map(|machine| &machine.detectors);
            let mut thresholds = detectors.filter(
                |uses| matches!(&uses.module, ModuleSource::BuiltIn(name) if name.as_str() == "power-threshold"),
            );
            sum.quiet_watts = thresholds.find_map(|uses| {
                uses.settings["quiet_watts"].as_f64().or(uses.settings["busy_watts"].as_f64())
            });
        }
    }
}

pub fn ledger(reader: &JournalReader, terms: &Terms) -> Result<Ledger, StoreError> {
    let Period { from, to } = terms.period;
    let mut walk = opening::at(reader, terms)?;
    let mut damaged = 0;
    let kinds = vec![
        RecordKind::Decision,
        RecordKind::Order,
        RecordKind::Incident,
        RecordKind::IncidentOver,
        RecordKind::Outlet,
        RecordKind::State,
        RecordKind::Silence,
        RecordKind::Shadow,
        RecordKind::Energy,
        RecordKind::Job,
        RecordKind::Start,
        RecordKind::Stop,
    ];
    let until = WallTime(to.0.saturating_add(BOOKED_WITHIN_MS));
    let query = Query { from: Some(from), to: Some(until), kinds, ..Query::default() };
    for record in reader.records(&query) {
        let record = record?;
        let is_inside = record.at.wall < to;
        if !is_inside && record.kind() != Some(RecordKind::Energy) {
            continue;
        }
        if !record.intact {
            damaged += usize::from(is_inside);
            continue;
        }
        if let Some(kind @ (RecordKind::Incident | RecordKind::IncidentOver)) = record.kind() {
            let told: Told = record.read();
            for (machine, spot) in by_machine(&told).filter(|(machine, _)| terms.wants(machine)) {
                walk.book(machine, terms).unseen(record.at.wall, spot, kind == RecordKind::IncidentOver);
            }
        }
        match (record.kind(), record.machine.as_deref()) {
            (Some(RecordKind::Start), _) => walk.starts(record.at.wall),
            (Some(RecordKind::Stop), _) => walk.stops(record.at.wall),
            (Some(kind), Some(machine)) => {
                if terms.wants(machine) {
                    walk.book(machine, terms).take(kind, &record, terms);
                }
            }
            (_, _) => {}
        }
        if is_inside {
            walk.latest = record.at.wall;
        }
    }
    // Somebody was killed, or this is an old copy: nobody knows what came then.
    let alive = reader.alive_until()?.map_or(from, |alive| WallTime(alive.0.saturating_add(ALIVE_MS)));
    if alive < to {
        walk.stops(walk.latest.max(WallTime(alive.0 - ALIVE_MS)));
    }
    let latest = if alive < to { walk.latest } else { to };
    walk.books.values_mut().for_each(|book| book.unseen_until(latest));
    let machines = walk.books.into_values().map(|book| book.close(terms));
    let machines =
        machines.filter(|sum| terms.titles.contains_key(&sum.machine) || !sum.is_empty()).collect();
    Ok(Ledger { period: terms.period, tariff: terms.tariff.clone(), machines, damaged })
}

/// The machines' books, and what is known of the service that fills them.
pub(super) struct Walk {
    pub(super) books: BTreeMap<String, Book>,
    /// Nobody has said that it stopped.
    pub(super) runs: bool,
    /// When something was last put on record.
    pub(super) latest: WallTime,
}

impl Walk {
    pub(super) fn book(&mut self, machine: &str, terms: &Terms) -> &mut Book {
        self.books.entry(machine.to_owned()).or_insert_with(|| Book::new(machine, terms))
    }

    /// A service that starts although nobody stopped it was killed: what it saw last is no longer so.
    fn starts(&mut self, at: WallTime) {
        if self.runs {
            self.stops(self.latest.min(at));
        }
        self.books.values_mut().for_each(|book| book.forget(at));
        self.runs = true;
    }

    /// Nobody watched from then on.
    fn stops(&mut self, at: WallTime) {
        self.books.values_mut().for_each(|book| book.forget(at));
        self.runs = false;
    }
}

impl Terms {
    pub(super) fn wants(&self, machine: &str) -> bool {
        self.machine.as_ref().is_none_or(|wanted| wanted.as_str() == machine)
    }
}

impl MachineSum {
    /// Nothing is known of it in this time.
    fn is_empty(&self) -> bool {
        self.requests + self.shadow.requests + self.incidents == 0
            && self.minutes.is_empty()
            && self.stretches.iter().all(|stretch| stretch.doing == Doing::Unseen)
    }
}

pub(super) fn kilowatt_hours(joules: f64) -> f64 {
    // 1 kWh = 3.6 MJ.
    joules / 3_600_000.0
}
