//! The draw of the last hours, as coarse as a small picture needs it.

use std::collections::BTreeMap;

use serde::Serialize;

use idlegate_guard::time::WallTime;

pub(super) const SLOT_MILLIS: i64 = 60_000;
/// Six hours.
pub(super) const SLOTS: i64 = 360;
const SLOTS_MAX: usize = 360;

/// The highest draw in each slot of time; a slot in which nothing was heard is not there.
#[derive(Debug, Default)]
pub(super) struct Plot(BTreeMap<i64, f64>);

impl Plot {
    pub(super) fn add(&mut self, at: WallTime, watts: f64) {
        let slot = at.0.div_euclid(SLOT_MILLIS);
        let highest = self.0.entry(slot).or_insert(watts);
        *highest = highest.max(watts);
        // As many as fit, even if somebody sets the clock to and fro.
        if self.0.len() > SLOTS_MAX {
            self.0.pop_first();
        }
    }

    /// None older than so many slots, and none from a time that a clock set back has not reached.
    pub(super) fn drawn(&self, now: WallTime, slots: i64) -> Drawn {
        let last = now.0.div_euclid(SLOT_MILLIS);
        let Some((from, _)) = self.0.range(last - slots + 1..=last).next() else { return Drawn::default() };
        let until = self.0.range(*from..=last).next_back().map_or(*from, |(slot, _)| *slot);
        let watts = (*from..=until).map(|slot| self.0.get(&slot).copied().map(short));
        Drawn { from: *from, watts: watts.collect() }
    }
}

/// Slot by slot.
#[derive(Debug, Default, PartialEq, Serialize)]
pub(super) struct Drawn {
    from: i64,
    watts: Vec<Option<f64>>,
}

/// A tenth of a watt is finer than the picture.
pub(super) fn short(watts: f64) -> f64 {
    (watts * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_stays_and_what_is_old_goes() {
        let mut plot = Plot::default();
        for second in 0..7 * 3_600 {
            let watts = if second == 6 * 3_600 { 2_000.0 } else { 30.04 };
            plot.add(WallTime(second * 1_000), watts);
        }
        let drawn = plot.drawn(WallTime(7 * 3_600_000 - 1), SLOTS);
        assert_eq!((drawn.from, drawn.watts.len()), (60, 360));
        let spikes: Vec<_> =
            drawn.watts.iter().enumerate().filter(|(_, watts)| **watts != Some(30.0)).collect();
        assert_eq!(spikes, [(300, &Some(2_000.0))]);
        assert_eq!(plot.drawn(WallTime(7 * 3_600_000 - 1), 40).from, 380);
    }

    #[test]
    fn a_silence_is_a_gap_and_a_clock_set_back_shows_no_future() {
        let mut plot = Plot::default();
        plot.add(WallTime(0), 10.0);
        plot.add(WallTime(180_000), 12.0);
        let watts = |now| plot.drawn(WallTime(now), SLOTS).watts;
        assert_eq!(watts(180_000), [Some(10.0), None, None, Some(12.0)]);
        assert_eq!(watts(130_000), [Some(10.0)]);
        assert_eq!(watts(-1), []);
    }
}
