//! Jobs that are not on record: the stretches in which a machine worked, with what they drew.

use super::ledger::{Doing, MINUTE_MS, MachineSum, Stretch, kilowatt_hours};
use idlegate_guard::time::WallTime;
use idlegate_plan::Tariff;

/// One job. Where it is on record, it ended when the machine fell quiet; else when it counted as idle again.
#[derive(Clone, Debug, PartialEq)]
pub struct Job {
    pub from: WallTime,
    pub until: WallTime,
    /// The highest average of a minute.
    pub watts_max: f64,
    /// Minutes that are only partly in the job count by their part.
    pub joules: f64,
    pub cost: Option<f64>,
}

pub(super) fn jobs(sum: &MachineSum, tariff: Option<&Tariff>) -> Vec<Job> {
    let working = sum.stretches.iter().enumerate().filter(|(_, stretch)| stretch.doing == Doing::Working);
    let working = working.filter(|(index, stretch)| !is_inrush(sum, *index, stretch));
    working.map(|(_, stretch)| job(sum, stretch, tariff)).collect()
}

/// Whoever switches a machine on sees a surge of a moment, and the detector waits for its dwell before it says idle
/// again. That is no job: from the second minute on it draws what it draws when idle.
fn is_inrush(sum: &MachineSum, index: usize, stretch: &Stretch) -> bool {
    let Some(idle_watts) = sum.idle_watts else { return false };
    let mut before = sum.stretches[..index].iter().rev();
    // Between being on and being seen to work there may be a moment in which nothing is known.
    let switched_on = before
        .find(|before| stretch.from.0 - before.until.0 > MINUTE_MS || before.doing != Doing::Unclear)
        .is_some_and(|before| before.doing == Doing::Off && stretch.from.0 - before.until.0 <= MINUTE_MS);
    // Looked for only where it matters: there may be a year of minutes.
    let begin = sum.minutes.partition_point(|(at, _)| at.0 < stretch.from.0 + MINUTE_MS);
    let end = sum.minutes.partition_point(|(at, _)| at.0 < stretch.until.0);
    let later = sum.minutes.get(begin..end).unwrap_or_default();
    switched_on && !later.is_empty() && later.iter().all(|(_, watts)| *watts <= idle_watts * 1.25)
}

fn job(sum: &MachineSum, stretch: &Stretch, tariff: Option<&Tariff>) -> Job {
    let begin = sum.minutes.partition_point(|(at, _)| at.0 + MINUTE_MS <= stretch.from.0);
    let inside = sum.minutes[begin..].iter().take_while(|(at, _)| at.0 < stretch.until.0);
    let mut job = Job {
        from: stretch.from,
        until: stretch.until,
        watts_max: 0.0,
        joules: 0.0,
        cost: tariff.map(|_| 0.0),
    };
    for (at, watts) in inside {
        let overlap = (at.0 + MINUTE_MS).min(stretch.until.0) - at.0.max(stretch.from.0);
        #[expect(clippy::cast_precision_loss, reason = "at most a minute")]
        let joules = watts * overlap as f64 / 1_000.0;
        job.joules += joules;
        job.watts_max = job.watts_max.max(*watts);
        if let (Some(cost), Some(tariff)) = (&mut job.cost, tariff) {
            *cost += kilowatt_hours(joules) * tariff.at(*at);
        }
    }
    job
}

/// The average watts of minutes that lie wholly in such a stretch.
pub(super) fn minutes_wholly(sum: &MachineSum, doing: Doing) -> impl Iterator<Item = f64> + '_ {
    let within = move |at: &WallTime| {
        let next = sum.stretches.partition_point(|stretch| stretch.until.0 < at.0 + MINUTE_MS);
        sum.stretches.get(next).is_some_and(|stretch| stretch.doing == doing && stretch.from <= *at)
    };
    sum.minutes.iter().filter(move |(at, _)| within(at)).map(|(_, watts)| *watts)
}
