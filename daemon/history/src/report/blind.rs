//! How often and for how long a machine could not be seen, by what people were told of it.

use std::collections::BTreeMap;

use serde_json::{Value, json as object};

use super::ledger::{MachineSum, Period};
use idlegate_guard::time::{Span, WallTime};
use idlegate_messages::{Blind, Told};
use idlegate_plan::text::{counted, parse_time};

/// Of one kind, within the time of the report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BlindTime {
    pub times: usize,
    pub lasted: Span,
}

/// What lasts of one machine while its book is filled.
#[derive(Debug, Default)]
pub(super) struct BlindBook {
    open: BTreeMap<(String, Option<String>), WallTime>,
    pub(super) sums: BTreeMap<String, BlindTime>,
}

impl BlindBook {
    /// One that was told, or its end.
    pub(super) fn take(&mut self, at: WallTime, spot: &Blind, over: bool, period: Period) {
        let key = (spot.kind.to_string(), spot.signal.clone().or(spot.detector.clone()));
        let since = parse_time(&spot.since).unwrap_or(at).min(at);
        if !over {
            self.open.entry(key).or_insert(since);
            return;
        }
        // Its own word counts for one that began before the time that is looked at.
        let from = self.open.remove(&key).unwrap_or(since);
        self.add(key.0, from, at, period);
    }

    /// Nothing is known of what comes after.
    pub(super) fn close(&mut self, at: WallTime, period: Period) {
        for ((kind, _), from) in std::mem::take(&mut self.open) {
            self.add(kind, from, at, period);
        }
    }

    fn add(&mut self, kind: String, from: WallTime, to: WallTime, period: Period) {
        let (from, to) = (from.max(period.from), to.min(period.to));
        let sum = self.sums.entry(kind).or_default();
        sum.times += 1;
        sum.lasted = sum.lasted + Span(u64::try_from(to.0 - from.0).unwrap_or(0));
    }
}

/// Of each machine that it names.
pub(super) fn by_machine(told: &Told) -> impl Iterator<Item = (&str, &Blind)> {
    told.blind.iter().filter_map(|spot| Some((spot.machine.as_deref()?, spot)))
}

pub(super) fn remark(sum: &MachineSum) -> Option<String> {
    let times: usize = sum.blind.values().map(|of| of.times).sum();
    if times == 0 {
        return None;
    }
    let each: Vec<String> = sum
        .blind
        .iter()
        .map(|(kind, of)| format!("{kind} {}, {}", counted(of.times as u64, "time"), of.lasted))
        .collect();
    Some(format!("{}: Idlegate could not see it: {}", sum.title, each.join("; ")))
}

pub(super) fn json(sum: &MachineSum) -> Value {
    let each = sum
        .blind
        .iter()
        .map(|(kind, of)| object!({ "kind": kind, "times": of.times, "lasted_s": of.lasted.as_secs_f64() }));
    each.collect()
}
