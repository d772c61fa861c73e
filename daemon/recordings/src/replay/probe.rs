//! What an off request would have done, all through a recording.

use crate::calibrate::Interval;
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::event::Name;
use idlegate_plan::{MachineIx, Plan};

/// Gathers the answers to a question that is asked every so often.
#[derive(Clone, Debug)]
pub struct Probe {
    every: Span,
    jobs: Vec<Interval>,
    machines: Vec<Gathered>,
}

#[derive(Clone, Debug)]
struct Gathered {
    machine: Name,
    asked: u64,
    through: u64,
    in_job: u64,
    /// By job: how often power would have been cut in it, and when afterwards for the first time.
    jobs: Vec<(u64, Option<Span>)>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Sum {
    pub every: Span,
    pub machines: Vec<MachineSum>,
}

/// What it came to for one machine.
#[derive(Clone, Debug, PartialEq)]
pub struct MachineSum {
    pub machine: Name,
    pub asked: u64,
    /// How often off would have acted.
    pub let_through: u64,
    pub jobs: usize,
    pub jobs_hit: usize,
    pub job_secs: f64,
    /// Of the time of jobs: in which off would have acted.
    pub job_secs_let_through: f64,
    /// For each job how long after its end off was held; nothing if until the next one or the end.
    pub held_after: Vec<Option<Span>>,
}

impl Probe {
    /// `jobs` in any order; all of them are every machine's.
    pub fn new(plan: &Plan, every: Span, mut jobs: Vec<Interval>) -> Probe {
        jobs.sort_unstable();
        let gathered = |machine: &idlegate_plan::Machine| Gathered {
            machine: machine.name.clone(),
            asked: 0,
            through: 0,
            in_job: 0,
            jobs: vec![(0, None); jobs.len()],
        };
        let machines = plan.machines.iter().map(gathered).collect();
        Probe { every, jobs, machines }
    }

    pub fn note(&mut self, at: WallTime, machine: MachineIx, state: PermissiveState) {
        let Some(gathered) = self.machines.get_mut(machine.0) else { return };
        let through = state == PermissiveState::Clear;
        gathered.asked += 1;
        gathered.through += u64::from(through);
        // The job that began last: the others are over, or the next one would have begun.
        let Some(index) = self.jobs.partition_point(|job| job.from <= at).checked_sub(1) else { return };
        let job = self.jobs[index];
        let (cut, released) = &mut gathered.jobs[index];
        if job.contains(at) {
            gathered.in_job += 1;
            *cut += u64::from(through);
        } else if through && released.is_none() {
            *released = Some(Span(u64::try_from(at.0 - job.until.0).unwrap_or(0)));
        }
    }

    pub fn sum(&self) -> Sum {
        let every_secs = secs(self.every.0);
        let machines = self.machines.iter().map(|gathered| MachineSum {
            machine: gathered.machine.clone(),
            asked: gathered.asked,
            let_through: gathered.through,
            jobs: self.jobs.len(),
            jobs_hit: gathered.jobs.iter().filter(|(cut, _)| *cut > 0).count(),
            job_secs: self
                .jobs
                .iter()
                .map(|job| secs(u64::try_from(job.until.0 - job.from.0).unwrap_or(0)))
                .sum(),
            job_secs_let_through: gathered.jobs.iter().map(|(cut, _)| secs(cut * 1_000) * every_secs).sum(),
            held_after: gathered.jobs.iter().map(|(_, released)| *released).collect(),
        });
        Sum { every: self.every, machines: machines.collect() }
    }
}

impl MachineSum {
    /// This part of the jobs that were let go at all were let go within that time.
    pub fn held_after_quantile(&self, part: f64) -> Option<Span> {
        let mut sorted: Vec<Span> = self.held_after.iter().flatten().copied().collect();
        sorted.sort_unstable();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            clippy::cast_precision_loss,
            reason = "an index"
        )]
        let index = (part.clamp(0.0, 1.0) * sorted.len().saturating_sub(1) as f64).round() as usize;
        sorted.get(index).copied()
    }
}

fn secs(millis: u64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a recording has fewer milliseconds")]
    let millis = millis as f64;
    millis / 1_000.0
}
