//! What a machine draws when its outlet has just been switched on.

use super::Past;
use crate::calibrate::take::{Sample, since};
use idlegate_guard::Switch;
use idlegate_guard::time::{Span, WallTime};

/// A machine that draws nothing for so long after a switch-on has its own switch.
const LOOKED_AT: Span = Span::secs(120);
/// Fewer readings tell nothing of a switch-on.
const READINGS_MIN: usize = 3;

/// One that was seen: its readings until it was switched again.
#[derive(Clone, Debug)]
pub(super) struct SwitchOn {
    at: WallTime,
    samples: Vec<Sample>,
}

impl SwitchOn {
    pub(super) fn highest_watts(&self) -> f64 {
        self.samples.iter().map(|sample| sample.watts).fold(0.0, f64::max)
    }

    /// How long it took until it drew as much.
    pub(super) fn draws_after(&self, watts: f64) -> Option<Span> {
        self.samples.iter().find(|sample| sample.watts >= watts).map(|sample| since(self.at, sample.at))
    }
}

pub(super) fn switch_ons(pasts: &[Past]) -> Vec<SwitchOn> {
    pasts.iter().flat_map(of_one).collect()
}

fn of_one(past: &Past) -> Vec<SwitchOn> {
    let mut found = Vec::new();
    let pairs = past
        .switched
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[0].1 == Switch::Off && pair[1].1 == Switch::On);
    for (index, pair) in pairs {
        let at = pair[1].0;
        let next = past.switched.get(index + 2).map(|(at, _)| *at);
        let until = WallTime(at.0.saturating_add(i64::try_from(LOOKED_AT.0).unwrap_or(i64::MAX)));
        let until = next.map_or(until, |next| until.min(next));
        let samples = past.take.between(at, until).to_vec();
        if samples.len() >= READINGS_MIN {
            found.push(SwitchOn { at, samples });
        }
    }
    found
}
