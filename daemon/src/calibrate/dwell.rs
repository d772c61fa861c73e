//! How long must it be quiet before a job is over, and not only pausing?
//!
//! The answer rests on the longest pause seen inside a job, times a safety factor that is larger the fewer pauses were
//! seen. Where none was seen there is a floor, a higher one for machines that say nothing while they pause.

use super::levels::{Scene, quantile};
use super::take::since;
use crate::time::Span;

/// Three minutes less the time it takes to see that they are over. An off-delay of this order keeps the jobs of most
/// machines whole (common practice, no source).
const IDLE_FOR_MIN: Span = Span::secs(170);
/// For a plain heater under a thermostat or a hand: between two heats it draws nothing at all, so nothing tells a pause
/// from the end, and few jobs were seen. It may pause for about as long as it is used to work, but hardly for longer
/// than this.
const IDLE_FOR_MIN_SILENT_MAX: Span = Span::secs(320);
const SILENT_PART: f64 = 0.9;
/// With so many jobs and no pause in any, fewer than one job in seven has one, at 95 % confidence (the rule of three in its
/// exact form: Hanley and Lippman-Hand, JAMA 249, 1983).
pub(super) const JOBS_MANY: usize = 20;
/// A shorter quiet is a flicker, not a pause.
const PAUSE_MIN: Span = Span::secs(5);
const FACTOR_MIN: f64 = 1.5;
/// Twice the longest pause, less the time it takes to see that it is over.
const FACTOR_MAX: f64 = 1.9;
/// The chance that a pause to come outlasts the dwell is to be no more than this, if the factor can give it.
const OUTLAST_CHANCE_MAX: f64 = 0.10;
/// An intermediate draw that lasts so long is the machine telling that it is still at it.
const TALK_MIN: Span = Span::secs(10);
/// Below this part of the usual draw of jobs a draw is an intermediate one.
const TALK_PART: f64 = 0.4;

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Dwell {
    pub(super) dwell: Span,
    /// Nothing where there was none.
    pub(super) pause_longest: Span,
    pub(super) pauses: usize,
    pub(super) basis: Basis,
}

/// What a dwell rests on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Basis {
    /// The longest pause seen, times this factor.
    Pauses { factor: f64 },
    /// Pauses are short or there are none: the floor.
    Floor,
    /// No pause was seen, and the machine would say nothing in one.
    SilentFloor,
}

pub(super) fn for_level(scene: &Scene<'_>, level_watts: f64) -> Dwell {
    let mut pauses = pauses(scene, level_watts);
    pauses.retain(|pause| *pause >= PAUSE_MIN);
    let pause_longest = pauses.iter().copied().max().unwrap_or(Span::ZERO);
    let factor = factor_for(pauses.len());
    let stretched = scaled(pause_longest, factor);
    let silent = pauses.is_empty() && scene.jobs() < JOBS_MANY && !talks(scene, level_watts);
    let as_long = scaled(job_usual(scene), SILENT_PART).min(IDLE_FOR_MIN_SILENT_MAX);
    let (dwell, basis) = if silent && as_long > IDLE_FOR_MIN {
        (as_long, Basis::SilentFloor)
    } else if stretched > IDLE_FOR_MIN {
        (stretched, Basis::Pauses { factor })
    } else {
        (IDLE_FOR_MIN, Basis::Floor)
    };
    Dwell { dwell, pause_longest, pauses: pauses.len(), basis }
}

/// The median length of a job.
fn job_usual(scene: &Scene<'_>) -> Span {
    let jobs = scene.stages.iter().flat_map(|stage| &stage.jobs);
    let mut lengths: Vec<Span> = jobs.map(|job| since(job.from, job.until)).collect();
    lengths.sort_unstable();
    lengths.get(lengths.len() / 2).copied().unwrap_or(Span::ZERO)
}

/// Rounded up to 5 s, as a person would write it.
fn scaled(span: Span, factor: f64) -> Span {
    let secs = super::levels::millis(span) * factor / 5_000.0;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "not negative, and far below the limit"
    )]
    let fives = secs.ceil() as u64;
    Span::secs(fives.saturating_mul(5))
}

fn factor_for(pauses: usize) -> f64 {
    let tenths = (15..=19).map(|tenths| f64::from(tenths) / 10.0);
    let mut enough = tenths.filter(|factor| outlast_chance(pauses, *factor) <= OUTLAST_CHANCE_MAX);
    enough.next().unwrap_or(FACTOR_MAX).max(FACTOR_MIN)
}

/// The chance that the next pause is longer than `factor` times the longest of `pauses` before it, if pauses are
/// spread as waiting times are (exponentially, of whatever mean): the product of k / (k + factor) for k from 1 to
/// their number. With a factor of 1 that is 1 in their number plus one, as it must be for anything that varies.
pub(super) fn outlast_chance(pauses: usize, factor: f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "there are few pauses")]
    let chance = (1..=pauses).map(|k| k as f64 / (k as f64 + factor)).product();
    chance
}

/// The pauses inside jobs: from the first reading below the level to the first one at it again. The quiet at the end
/// of a job is none, and a gap in the recording ends one, as it does for the detector.
fn pauses(scene: &Scene<'_>, level_watts: f64) -> Vec<Span> {
    let mut pauses = Vec::new();
    for stage in &scene.stages {
        for job in &stage.jobs {
            let (mut quiet_since, mut latest) = (None, job.from);
            let inside = stage.take.samples.iter().filter(|sample| job.contains(sample.at));
            for sample in inside {
                let broken = since(latest, sample.at) > scene.gap_max;
                if let Some(from) = quiet_since.filter(|_| broken || sample.watts >= level_watts) {
                    pauses.push(since(from, if broken { latest } else { sample.at }));
                    quiet_since = None;
                }
                if sample.watts < level_watts {
                    quiet_since = quiet_since.or(Some(sample.at));
                }
                latest = sample.at;
            }
        }
    }
    pauses
}

/// Whether jobs have stretches of a low draw that is more than nothing: a fan, a pump, electronics.
fn talks(scene: &Scene<'_>, level_watts: f64) -> bool {
    let high = TALK_PART * quantile(&scene.working, 0.9);
    scene.stages.iter().any(|stage| {
        stage.jobs.iter().any(|job| {
            let mut low_since = None;
            stage.take.samples.iter().filter(|sample| job.contains(sample.at)).any(|sample| {
                if !(level_watts..high).contains(&sample.watts) {
                    low_since = None;
                    return false;
                }
                let from = *low_since.get_or_insert(sample.at);
                since(from, sample.at) >= TALK_MIN
            })
        })
    })
}
