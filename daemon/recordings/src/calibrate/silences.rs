//! The silences of a machine: each time that its draw fell below a level after work, and how that went on.

use super::levels::Scene;
use super::marks::Interval;
use super::take::{Sample, since};
use idlegate_guard::time::{Span, WallTime};

/// What a machine's silences below one level have shown so far.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Silences {
    /// The silences after which the job went on, each from its first reading below the level to the first at it again.
    pub pauses: Vec<Interval>,
    /// The silences in which the job was finished.
    pub finished: usize,
}

impl Silences {
    pub(super) fn below(scene: &Scene<'_>, level_watts: f64) -> Silences {
        let mut silences = Silences::default();
        for stage in &scene.stages {
            for (index, job) in stage.jobs.iter().enumerate() {
                let job = stage.at_work(*job, level_watts);
                silences.pauses.extend(pauses(
                    stage.take.between(job.from, job.until),
                    scene.gap_max,
                    level_watts,
                ));
                // People mark an end a little late, so the last silence may have begun before it.
                let after = stage.take.between(job.until, WallTime(stage.release_limit(index).0 - 1));
                silences.finished += usize::from(after.iter().any(|sample| sample.watts < level_watts));
            }
        }
        silences
    }

    pub fn lengths(&self) -> impl Iterator<Item = Span> + '_ {
        self.pauses.iter().map(|pause| since(pause.from, pause.until))
    }

    pub fn longest(&self) -> Option<Span> {
        self.lengths().max()
    }

    /// How many silences lasted so long or longer.
    pub fn reached(&self, age: Span) -> usize {
        self.finished + self.lengths().filter(|length| *length >= age).count()
    }
}

/// The silences inside a job. A gap in the recording ends one, as it does for the detector.
fn pauses(inside: &[Sample], gap_max: Span, level_watts: f64) -> Vec<Interval> {
    let mut pauses = Vec::new();
    let mut quiet_since: Option<WallTime> = None;
    let mut latest = inside.first().map_or(WallTime(0), |sample| sample.at);
    for sample in inside {
        let broken = since(latest, sample.at) > gap_max;
        if let Some(from) = quiet_since.filter(|_| broken || sample.watts >= level_watts) {
            pauses.push(Interval { from, until: if broken { latest } else { sample.at } });
            quiet_since = None;
        }
        if sample.watts < level_watts {
            quiet_since = quiet_since.or(Some(sample.at));
        }
        latest = sample.at;
    }
    pauses
}
