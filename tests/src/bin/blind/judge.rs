//! What was put in, held against what was told. Knows nothing of how the guard decides.

use crate::plants::{Plant, What};

/// People hear of it within this time.
const WITHIN: u64 = 5;
/// A stuck meter shows it by its readings, and only those that come.
const READINGS_EVERY: u64 = 15;
/// A detector that stopped must have worked for a minute before it is believed; it is asked every five seconds.
const DETECTOR_WELL: u64 = 60 + 15;
/// After a connection was made everything is heard anew.
const SETTLES: u64 = 10;

#[derive(Debug)]
pub(crate) struct Truth {
    pub(crate) plant: Plant,
    /// When it was seen last before, and when it could be seen again, by what was delivered to a guard.
    pub(crate) began: Option<u64>,
    pub(crate) ended: Option<u64>,
    /// In each session the first moment, while it lasts, at which the guard had seen enough of this machine to be able
    /// to tell it.
    known: Vec<u64>,
    begun: Vec<(u64, bool)>,
    over: Vec<u64>,
}

#[derive(Debug, Default)]
pub(crate) struct Judge {
    pub(crate) truths: Vec<Truth>,
    /// From when to when a guard was there and connected.
    sessions: Vec<(u64, u64)>,
    faults: Vec<String>,
    told: usize,
    urgent: usize,
}

pub(crate) struct Judged {
    pub(crate) planted: usize,
    pub(crate) above: usize,
    pub(crate) told: usize,
    pub(crate) urgent: usize,
    pub(crate) faults: Vec<String>,
}

impl Judge {
    pub(crate) fn new(plants: Vec<Plant>) -> Judge {
        let truths = plants
            .into_iter()
            .map(|plant| Truth {
                plant,
                began: None,
                ended: None,
                known: Vec::new(),
                begun: Vec::new(),
                over: Vec::new(),
            })
            .collect();
        Judge { truths, ..Judge::default() }
    }

    pub(crate) fn up(&mut self, now: u64) {
        self.sessions.push((now, u64::MAX));
    }

    pub(crate) fn down(&mut self, now: u64) {
        if let Some(last) = self.sessions.last_mut() {
            last.1 = last.1.min(now);
        }
    }

    /// The guard has seen enough of this plant's machine.
    pub(crate) fn is_known(&mut self, index: usize, now: u64) {
        let Some((up, _)) = self.sessions.last() else { return };
        let known = &mut self.truths[index].known;
        if known.last().is_none_or(|at| at < up) {
            known.push(now);
        }
    }

    /// People are told of this kind of blindness of a machine or input.
    pub(crate) fn told(&mut self, now: u64, kind: &str, of: &str, over: bool, urgent: bool) {
        self.told += usize::from(!over);
        self.urgent += usize::from(!over && urgent);
        let is_it = |truth: &&mut Truth| {
            let Plant { what, of: planted, from, .. } = truth.plant;
            what.word() == kind && planted == of && from <= now
        };
        match self.truths.iter_mut().rev().find(is_it) {
            Some(truth) if over => truth.over.push(now),
            Some(truth) => truth.begun.push((now, urgent)),
            None => self
                .faults
                .push(format!("at {now} {kind} of {of:?} was told, over: {over}, and was never so")),
        }
    }

    pub(crate) fn close(&mut self) -> Judged {
        let mut faults = std::mem::take(&mut self.faults);
        for truth in &self.truths {
            faults.extend(truth.faults(&self.sessions));
        }
        let above = self.truths.iter().filter(|truth| truth.is_due(&self.sessions).is_some()).count();
        Judged { planted: self.truths.len(), above, told: self.told, urgent: self.urgent, faults }
    }
}

impl Truth {
    /// When it is to be told at the earliest and at the latest, if it lasts long enough for anybody.
    fn is_due(&self, sessions: &[(u64, u64)]) -> Option<(u64, u64)> {
        let began = self.began?;
        let ended = self.ended.unwrap_or(u64::MAX);
        sessions.iter().find_map(|(up, down)| {
            let earliest = (began.max(*up) + self.plant.limit).max(up + SETTLES);
            let known = match self.plant.what {
                What::MeterStuck => *self.known.iter().find(|at| (up..down).contains(at))?,
                What::MeterSilent
                | What::MeterGarbage
                | What::OutletUnreachable
                | What::OutletGarbage
                | What::DetectorOut
                | What::InputSilent
                | What::BatteryLow
                | What::JournalOut
                | What::ClockUnset => earliest,
            };
            let latest = earliest.max(known) + WITHIN + self.slack();
            (latest < ended.min(*down)).then_some((earliest, latest))
        })
    }

    fn slack(&self) -> u64 {
        match self.plant.what {
            What::MeterStuck => 2 * READINGS_EVERY,
            What::MeterSilent
            | What::OutletUnreachable
            | What::MeterGarbage
            | What::OutletGarbage
            | What::DetectorOut
            | What::InputSilent
            | What::BatteryLow
            | What::JournalOut
            | What::ClockUnset => 0,
        }
    }

    fn faults(&self, sessions: &[(u64, u64)]) -> Vec<String> {
        let Plant { what, of, from, to, limit, in_job, away } = &self.plant;
        let fault = |why: String| {
            format!(
                "{what:?} of {of:?} from {from} to {to} (seen last {:?}, again {:?}; limit {limit} s, guard away {away:?}): {why}; \
                 told at {:?}, over at {:?}",
                self.began, self.ended, self.begun, self.over
            )
        };
        let mut faults = Vec::new();
        let due = self.is_due(sessions);
        match (due, self.begun.as_slice()) {
            (None, []) => {}
            (None, _) if *limit > 0 && self.lasted() < *limit => faults.push(fault("it was told".to_owned())),
            // Just about at the limit: either is right.
            (None, _) => {}
            (Some((earliest, latest)), [(at, urgent)]) => {
                if *at + 1 < earliest || *at > latest {
                    faults.push(fault(format!("it was not told between {earliest} and {latest}")));
                }
                let expected = of == &"red-button" || *in_job;
                if away.is_none_or(|(gone, _)| gone > *at)
                    && *urgent != expected
                    && self.is_judged_for_urgency()
                {
                    faults.push(fault(format!("urgent: {urgent}")));
                }
            }
            (Some((earliest, latest)), begun) => {
                let times = begun.len();
                faults.push(fault(format!(
                    "it was due between {earliest} and {latest} and told {times} times"
                )));
            }
        }
        if self.over.len() != self.begun.len() {
            faults.push(fault(format!("its end was told {} times", self.over.len())));
        }
        for over in &self.over {
            let well = if *what == What::DetectorOut { DETECTOR_WELL } else { WITHIN + self.slack() };
            let ended = self.ended.unwrap_or(u64::MAX);
            if *over < ended || *over > ended.saturating_add(well) {
                faults.push(fault("its end was not told in time".to_owned()));
            }
        }
        faults
    }

    fn lasted(&self) -> u64 {
        self.ended.unwrap_or(u64::MAX).saturating_sub(self.began.unwrap_or(u64::MAX))
    }

    /// A machine that was on and idle may have been at work shortly before.
    fn is_judged_for_urgency(&self) -> bool {
        self.plant.in_job || matches!(self.plant.what, What::InputSilent | What::BatteryLow)
    }
}
