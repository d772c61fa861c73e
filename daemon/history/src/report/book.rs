//! One machine's sums while they are made.

use super::blind::BlindBook;
use super::cuts::LastOff;
use super::jobs;
use super::ledger::{
    Answer, Decided, Doing, Followed, MINUTE_MS, MachineSum, Period, ShadowOff, ShadowSays, ShadowSum,
    Stretch, Terms, kilowatt_hours,
};
use super::recorded::Recorded;
use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::{Found, RecordKind};
use idlegate_messages::{Blind, Decision, Energy, Order, OutletState, Shadow, State};
use idlegate_plan::text::parse_time;

/// Drawings of years would have more decisions than anybody reads; the sums count all.
const DECISIONS_SHOWN_MAX: usize = 2_000;
/// A trial of years would be none.
const SHADOW_OFFS_MAX: usize = 20_000;
/// No silence is longer than a century.
const SILENT_SECS_MAX: f64 = 3e9;

pub(super) struct Book {
    sum: MachineSum,
    period: Period,
    since: WallTime,
    outlet: Option<bool>,
    busy: Option<bool>,
    /// The last order was a plain off, so that being off is the guard's doing.
    switched_off: bool,
    last_off: LastOff,
    blind: BlindBook,
    pub(super) recorded: Recorded,
}

impl Book {
    pub(super) fn new(machine: &str, terms: &Terms) -> Book {
        let period = terms.period;
        let title = terms.titles.get(machine).map_or(machine, String::as_str).to_owned();
        let sum = MachineSum { machine: machine.to_owned(), title, ..MachineSum::default() };
        let (last_off, blind) = (LastOff::default(), BlindBook::default());
        Book {
            sum,
            period,
            since: period.from,
            outlet: None,
            busy: None,
            switched_off: false,
            last_off,
            blind,
            recorded: Recorded::default(),
        }
    }

    /// People were told that something of it could not be seen, or could again.
    pub(super) fn unseen(&mut self, at: WallTime, spot: &Blind, over: bool) {
        self.blind.take(at, spot, over, self.period);
    }

    pub(super) fn unseen_until(&mut self, at: WallTime) {
        self.blind.close(at, self.period);
        self.sum.blind = std::mem::take(&mut self.blind.sums);
    }

    pub(super) fn take(&mut self, kind: RecordKind, record: &Found, terms: &Terms) {
        let at = record.at.wall;
        let counts = at >= self.period.from;
        match kind {
            RecordKind::Outlet => {
                self.pass(at);
                self.outlet = match &*record.read::<OutletState>().state {
                    "on" => Some(true),
                    "off" => Some(false),
                    _ => None,
                };
                self.switched_off &= self.outlet != Some(true);
                if counts && self.outlet == Some(false) {
                    self.sum.cuts.extend(self.last_off.cut(at, &self.sum.stretches));
                }
            }
            RecordKind::State => {
                self.pass(at);
                self.busy = match &*record.read::<State>().state {
                    "busy" => Some(true),
                    "idle" => Some(false),
                    _ => None,
                };
            }
            RecordKind::Order => {
                let order: Order = record.read();
                if order.not_sent.is_none() {
                    self.switched_off = order.switch == "off" && order.cause.as_deref() == Some("plain");
                    self.last_off.ordered(at, &order);
                }
            }
            RecordKind::Decision if counts => self.decision(at, &record.read()),
            RecordKind::Incident => self.sum.incidents += usize::from(counts),
            RecordKind::Shadow if counts => self.sum.followed(&record.read()),
            RecordKind::Silence if counts => self.sum.silences.take(at, &record.read()),
            RecordKind::Job if counts => self.recorded.take(&record.read()),
            RecordKind::Energy => self.energy(at, &record.read(), terms),
            _ => {}
        }
    }

    /// Nothing is known from here on, until it is said anew.
    pub(super) fn forget(&mut self, at: WallTime) {
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

    fn decision(&mut self, at: WallTime, said: &Decision) {
        let Decision { decision, reason, .. } = said;
        let request = said.request.as_deref().unwrap_or_default();
        let asks_off = matches!(request, "off" | "flip" | "force-off" | "off-once-idle" | "emergency-off");
        let sum = &mut self.sum;
        if said.shadow {
            sum.shadow.count(decision);
            // An off that comes due was asked for when it was put off; and a flip may be an on.
            let is_off = asks_off && !matches!(&**reason, "deferral-due" | "switching-on");
            if let Some(verdict) = ShadowSays::from_word(decision).filter(|_| is_off) {
                sum.ask_in_shadow(ShadowOff { at, verdict, followed: None });
            }
            return;
        }
        if decision == "acted" && asks_off {
            self.last_off.granted(at, said);
        }
        sum.requests += 1;
        sum.held += usize::from(decision == "held");
        sum.refused += usize::from(decision == "refused");
        sum.forced += usize::from(reason == "forced-in-window");
        sum.emergencies += usize::from(reason == "emergency");
        if sum.decisions.len() < DECISIONS_SHOWN_MAX && decision != "ignored" {
            let words = format!("{request} by {}: {decision}", said.input);
            let answer = match &**decision {
                _ if reason == "emergency" => Answer::Emergency,
                "acted" | "nothing-to-do" => Answer::Obeyed,
                _ => Answer::NotObeyed,
            };
            sum.decisions.push(Decided { at, words, answer });
        }
    }

    fn energy(&mut self, at: WallTime, energy: &Energy, terms: &Terms) {
        let Ok(from) = parse_time(&energy.from) else { return };
        let sum = &mut self.sum;
        let mut counted = false;
        for (nth, joules) in (0_i64..).zip(&energy.joules) {
            let minute = WallTime(from.0 + nth * MINUTE_MS);
            if !(self.period.from <= minute && minute < self.period.to) {
                continue;
            }
            counted = true;
            let Some(joules) = joules else { continue };
            sum.joules += joules;
            sum.minutes.push((minute, joules / 60.0));
            if let Some(tariff) = &terms.tariff {
                *sum.cost.get_or_insert(0.0) += kilowatt_hours(*joules) * tariff.at(minute);
            }
        }
        // One in which nothing was heard says at least for how long.
        if counted || (self.period.from <= from && from < self.period.to) {
            sum.watts_max = sum.watts_max.max(energy.watts_max.unwrap_or(0.0));
            let silent = energy.silent_s.unwrap_or(0.0).clamp(0.0, SILENT_SECS_MAX);
            let silent = Span::from(std::time::Duration::from_secs_f64(silent));
            // A silence is put on record at its end; what of it lies before the beginning is not this time's.
            let inside = Span(u64::try_from(at.0 - self.period.from.0).unwrap_or(0));
            sum.silent = sum.silent + silent.min(inside);
        }
    }

    pub(super) fn close(mut self, terms: &Terms) -> MachineSum {
        self.pass(self.period.to);
        let mut sum = self.sum;
        sum.minutes.sort_by_key(|(at, _)| *at);
        // One in which the service was started anew is on record in two parts.
        sum.minutes.dedup_by(|part, whole| {
            let is_same = part.0 == whole.0;
            whole.1 += if is_same { part.1 } else { 0.0 };
            is_same
        });
        let idle: Vec<f64> = jobs::minutes_wholly(&sum, Doing::Idle).collect();
        // The sum of nothing would be minus zero.
        sum.joules_idle = idle.iter().map(|watts| watts * 60.0).fold(0.0, |sum, joules| sum + joules);
        sum.idle_watts = median(idle);
        let found = jobs::jobs(&sum, terms.tariff.as_ref());
        // The surge of a start is no job, and so none that was cut.
        sum.cuts.retain(|cut| found.iter().any(|job| job.from == cut.since));
        (sum.jobs, sum.cuts) = self.recorded.with(found, sum.cuts, self.period.to);
        let off_secs = sum.off_by_guard.as_secs_f64();
        sum.joules_avoided = sum.idle_watts.map(|watts| watts * off_secs);
        sum
    }
}

impl ShadowSays {
    fn from_word(word: &str) -> Option<ShadowSays> {
        match word {
            "acted" => Some(ShadowSays::Off),
            "held" => Some(ShadowSays::Held),
            "deferred" => Some(ShadowSays::Deferred),
            _ => None,
        }
    }
}

impl MachineSum {
    fn ask_in_shadow(&mut self, off: ShadowOff) {
        if self.shadow_offs.len() < SHADOW_OFFS_MAX {
            self.shadow_offs.push(off);
        }
    }

    /// What became of the outlet after a decision, or had become of it before.
    fn followed(&mut self, row: &Shadow) {
        let followed = match &*row.meanwhile {
            "agrees" => Followed::Agrees,
            "cut" => Followed::Cut,
            "left-on" => Followed::LeftOn,
            _ => Followed::Unseen,
        };
        let Some(at) = parse_time(&row.asked_at).ok().filter(|_| row.asked == "off") else { return };
        if row.before {
            // Decided when the outlet was off already, which by itself is no off that was asked for.
            if let Some(verdict) = ShadowSays::from_word(&row.decision) {
                self.ask_in_shadow(ShadowOff { at, verdict, followed: Some(followed) });
            }
            return;
        }
        let mut open = self.shadow_offs.iter_mut().rev().take_while(|off| off.at >= at);
        let off = open.find(|off| off.at == at && off.followed.is_none());
        off.into_iter().for_each(|off| off.followed = Some(followed));
    }
}

impl ShadowSum {
    fn count(&mut self, decision: &str) {
        self.requests += 1;
        match decision {
            "acted" | "nothing-to-do" => self.obeyed += 1,
            "held" => self.held += 1,
            "deferred" => self.deferred += 1,
            "refused" => self.refused += 1,
            _ => {}
        }
    }
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
