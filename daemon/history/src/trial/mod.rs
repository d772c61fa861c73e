//! What a time in shadow mode has shown, machine by machine: what was asked, what Idlegate would have done, what
//! happened instead, and whether that is enough to let it act.
//!
//! From the report's figures, so that a trial and a report never say different things.

mod tell;
#[cfg(test)]
mod tests;

use crate::report::{
    CutJob, Doing, Followed, How, Job, Ledger, MachineSum, Period, ShadowOff, ShadowSays, Stretch,
};
use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::{JournalReader, Query, RecordKind, StoreError};
use idlegate_messages::Decision;

pub use tell::{html, json, words};

/// Fewer show too little of how people use a machine.
const ASKED_MIN: usize = 20;
const JOBS_MIN: usize = 3;
/// A guard that does not know for longer than this would hold for longer than people bear; and one that was away for
/// longer has not seen what they do.
const BLIND_MAX: Span = Span::secs(600);
/// Whatever still switches the outlet answers to the same press, this much sooner or later.
const TOGETHER_MS: i64 = 10_000;
/// Between being switched on and being seen to work there may be a moment in which nothing is known.
const UNCLEAR_MS: i64 = 60_000;

#[derive(Clone, Debug, PartialEq)]
pub struct ShadowTrial {
    pub period: Period,
    /// Those that were in shadow mode.
    pub machines: Vec<MachineOnTrial>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct MachineOnTrial {
    pub machine: String,
    pub title: String,
    /// For an off, while it was not off already.
    pub asked: usize,
    pub off: usize,
    pub held: usize,
    pub deferred: usize,
    /// It came about as Idlegate decided: of these four together there are as many as were asked.
    pub agreed: usize,
    /// It was switched off, and Idlegate would have held it or waited.
    pub cut_though_held: usize,
    /// It would have been switched off, and stayed on.
    pub left_on: usize,
    /// Nobody saw what became of it.
    pub unseen: usize,
    /// Working, and switched off by whatever else does so at present.
    pub cuts: Vec<Missed>,
    /// Begun, finished, and not cut.
    pub whole_jobs: usize,
    /// For so long nobody could say whether it worked: only what is too long.
    pub blind: Vec<Span>,
    /// For so long Idlegate was away, or the outlet out of reach: only what is too long.
    pub away: Vec<Span>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Missed {
    pub at: WallTime,
    /// In the two minutes before, the higher: what was drawn after its last reading is anybody's guess.
    pub watts: Option<f64>,
    /// What Idlegate said to the same press; nothing where it was not asked.
    pub verdict: Option<ShadowSays>,
}

impl MachineOnTrial {
    /// What a person still has to wait for, or to mend; nothing if it may be let act.
    pub fn missing(&self) -> Vec<String> {
        let mut missing = Vec::new();
        if self.asked < ASKED_MIN {
            missing.push(format!("{} of {ASKED_MIN} requests", self.asked));
        }
        if self.whole_jobs < JOBS_MIN {
            missing.push(format!("{} of {JOBS_MIN} whole jobs", self.whole_jobs));
        }
        if self.held == 0 {
            missing.push("no request was held yet".to_owned());
        }
        let longest = |spans: &[Span]| spans.iter().max().copied().unwrap_or_default();
        match self.blind.as_slice() {
            [] => {}
            [once] => missing.push(format!("once it was not known for {once} whether it worked")),
            often => missing.push(format!(
                "{} times it was not known for more than {BLIND_MAX} whether it worked, once for {}",
                often.len(),
                longest(often)
            )),
        }
        match self.away.as_slice() {
            [] => {}
            [once] => missing.push(format!("once Idlegate saw nothing of it for {once}")),
            often => missing.push(format!(
                "{} times Idlegate saw nothing of it for more than {BLIND_MAX}, once for {}",
                often.len(),
                longest(often)
            )),
        }
        missing
    }
}

/// From when to when it lasted; nothing if nothing was asked in shadow mode.
pub fn period(reader: &JournalReader) -> Result<Option<Period>, StoreError> {
    let (mut begun, mut first) = (None, None);
    let kinds = vec![RecordKind::Start, RecordKind::Decision];
    for record in reader.records(&Query { kinds, ..Query::default() }) {
        let record = record?;
        match record.kind() {
            Some(RecordKind::Start) => begun = Some(record.at.wall),
            Some(_) | None => {
                begun = begun.or(Some(record.at.wall));
                if record.read::<Decision>().shadow {
                    first = begun;
                    break;
                }
            }
        }
    }
    let until = reader.alive_until()?;
    Ok(first.zip(until).map(|(from, to)| Period { from, to: to.max(WallTime(from.0 + 1)) }))
}

/// From a report over the time of the trial.
pub fn trial(ledger: &Ledger) -> ShadowTrial {
    let machines = ledger.machines.iter().filter(|sum| sum.shadow.requests > 0);
    ShadowTrial { period: ledger.period, machines: machines.map(|sum| tried(sum, ledger.period)).collect() }
}

fn tried(sum: &MachineSum, period: Period) -> MachineOnTrial {
    let count = |verdict: ShadowSays| sum.shadow_offs.iter().filter(|off| off.verdict == verdict).count();
    let ends: Vec<Followed> =
        sum.shadow_offs.iter().map(|off| off.followed.unwrap_or_else(|| followed(sum, off))).collect();
    let ended = |how: Followed| ends.iter().filter(|end| **end == how).count();
    let cuts: Vec<&CutJob> = sum.cuts.iter().filter(|cut| cut.how == How::NotThroughIdlegate).collect();
    let too_long = |doing: Doing| {
        let stretches = sum.stretches.iter().filter(move |stretch| stretch.doing == doing);
        stretches.map(length).filter(|span| *span > BLIND_MAX).collect()
    };
    MachineOnTrial {
        machine: sum.machine.clone(),
        title: sum.title.clone(),
        asked: sum.shadow_offs.len(),
        off: count(ShadowSays::Off),
        held: count(ShadowSays::Held),
        deferred: count(ShadowSays::Deferred),
        agreed: ended(Followed::Agrees),
        cut_though_held: ended(Followed::Cut),
        left_on: ended(Followed::LeftOn),
        unseen: ended(Followed::Unseen),
        cuts: cuts.into_iter().map(|cut| missed(sum, cut)).collect(),
        whole_jobs: sum.jobs.iter().filter(|job| is_whole(sum, job, period)).count(),
        blind: too_long(Doing::Unclear),
        away: too_long(Doing::Unseen),
    }
}

fn length(stretch: &Stretch) -> Span {
    Span(u64::try_from(stretch.until.0 - stretch.from.0).unwrap_or(0))
}

/// The guard was stopped before it could see what became of a decision; what it saw when it was back says it.
fn followed(sum: &MachineSum, off: &ShadowOff) -> Followed {
    let begins = sum.stretches.iter().filter(|stretch| stretch.doing == Doing::Off);
    let went_off = begins.map(|stretch| stretch.from).any(|at| is_together(at, off.at));
    let later = WallTime(off.at.0 + TOGETHER_MS);
    let then = sum.stretches.iter().find(|stretch| stretch.from <= later && later < stretch.until);
    match (went_off, off.verdict, then.map(|stretch| stretch.doing)) {
        (true, ShadowSays::Off, _) => Followed::Agrees,
        (true, ShadowSays::Held | ShadowSays::Deferred, _) => Followed::Cut,
        (false, _, None | Some(Doing::Unseen)) => Followed::Unseen,
        (false, ShadowSays::Off, Some(_)) => Followed::LeftOn,
        (false, ShadowSays::Held | ShadowSays::Deferred, Some(_)) => Followed::Agrees,
    }
}

/// Seen to begin, and to end by itself. One that was under way when the trial, the guard or its sight of the outlet
/// began or ended was not.
fn is_whole(sum: &MachineSum, job: &Job, period: Period) -> bool {
    if job.from <= period.from || job.until >= period.to || sum.cuts.iter().any(|cut| cut.since == job.from) {
        return false;
    }
    let Some(place) = sum.stretches.iter().position(|stretch| stretch.from == job.from) else { return false };
    let mut before = sum.stretches[..place].iter().rev();
    let begun =
        before.find(|stretch| stretch.doing != Doing::Unclear || job.from.0 - stretch.from.0 > UNCLEAR_MS);
    let ended = sum.stretches.get(place + 1).filter(|stretch| stretch.from == job.until);
    begun.is_some_and(|stretch| matches!(stretch.doing, Doing::Idle | Doing::Off))
        && ended.is_some_and(|stretch| stretch.doing == Doing::Idle)
}

fn missed(sum: &MachineSum, cut: &CutJob) -> Missed {
    let next = sum.minutes.partition_point(|(at, _)| at.0 + 60_000 <= cut.at.0);
    let minutes = sum.minutes[..next].iter().rev().take(2);
    let watts = minutes.filter(|(at, _)| cut.at.0 - at.0 <= 300_000).map(|(_, watts)| *watts);
    let watts = watts.max_by(f64::total_cmp);
    let verdict = sum.shadow_offs.iter().filter(|off| is_together(cut.at, off.at));
    let nearest = verdict.min_by_key(|off| (off.at.0 - cut.at.0).abs());
    Missed { at: cut.at, watts, verdict: nearest.map(|off| off.verdict) }
}

fn is_together(one: WallTime, other: WallTime) -> bool {
    (one.0 - other.0).abs() <= TOGETHER_MS
}
