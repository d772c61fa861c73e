//! Jobs: the stretches in which a machine worked, with what they drew.

use super::ledger::{Doing, MINUTE_MS, MachineSum, Stretch, kilowatt_hours};
use crate::plan::Tariff;
use crate::time::{Span, WallTime};

/// One job, as the detectors saw it: its end is when it counted as idle again, the dwell included.
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

impl Job {
    pub fn length(&self) -> Span {
        Span(u64::try_from(self.until.0 - self.from.0).unwrap_or(0))
    }
}

pub(super) fn jobs(sum: &MachineSum, tariff: Option<&Tariff>) -> Vec<Job> {
    let working = sum.stretches.iter().filter(|stretch| stretch.doing == Doing::Working);
    working.map(|stretch| job(sum, stretch, tariff)).collect()
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
