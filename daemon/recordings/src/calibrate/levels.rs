//! Which draw tells idle from working.
//!
//! What idle looks like is a band of draws with its own evidence: what the machine drew long after its jobs, and not
//! only at one moment. The level lies just above it, as low as idle allows: what a machine still draws in a pause (its
//! pump, its electronics) then counts as working. Where something runs on after jobs, such as a fan, a second level
//! lies above that; it is taken only where the lower one would let go later by more than a minute.

use power_threshold::dwell::Limits;

use super::band::Band;
use super::dwell::{Dwell, JobWorth};
use super::marks::{Interval, Marks};
use super::rehearsal::let_through;
use super::silences::Silences;
use super::take::{Sample, Take, since};
use idlegate_guard::time::{Span, WallTime};

/// To be released sooner is worth a higher level only if it is by more than this.
const LATER_MAX: Span = Span::secs(60);

/// The recordings with what is known about them.
#[derive(Debug)]
pub(super) struct Scene<'a> {
    pub(super) stages: Vec<Stage<'a>>,
    pub(super) gap_max: Span,
    /// How far readings lie apart, as a rule.
    pub(super) interval: Span,
    /// The draws inside jobs and in quiet times, in order of size.
    pub(super) working: Vec<f64>,
    pub(super) quiet: Vec<f64>,
}

#[derive(Debug)]
pub(super) struct Stage<'a> {
    pub(super) take: &'a Take,
    pub(super) jobs: Vec<Interval>,
    pub(super) quiet: Vec<Interval>,
}

impl<'a> Scene<'a> {
    pub(super) fn new(takes: &'a [Take], marks: &Marks, gap_max: Span) -> Scene<'a> {
        let stages: Vec<Stage<'a>> = takes.iter().map(|take| Stage::new(take, marks)).collect();
        let draws = |of: for<'s> fn(&'s Stage<'a>) -> &'s Vec<Interval>| {
            let inside = stages.iter().flat_map(|stage| {
                of(stage)
                    .iter()
                    .flat_map(|it| stage.take.between(it.from, it.until))
                    .map(|sample| sample.watts)
            });
            let mut draws: Vec<f64> = inside.filter(|watts| watts.is_finite()).collect();
            draws.sort_unstable_by(f64::total_cmp);
            draws
        };
        let (working, quiet) = (draws(|stage| &stage.jobs), draws(|stage| &stage.quiet));
        Scene { stages, gap_max, interval: interval_usual(takes), working, quiet }
    }

    pub(super) fn jobs(&self) -> usize {
        self.stages.iter().map(|stage| stage.jobs.len()).sum()
    }
}

impl<'a> Stage<'a> {
    fn new(take: &'a Take, marks: &Marks) -> Stage<'a> {
        let whole = Interval { from: take.from(), until: take.until() };
        let clip = |interval: &Interval| {
            let (from, until) = (interval.from.max(whole.from), interval.until.min(whole.until));
            (from < until).then_some(Interval { from, until })
        };
        let mut jobs: Vec<Interval> = marks.jobs.iter().filter_map(clip).collect();
        jobs.sort_unstable();
        let quiet = if marks.quiet.is_empty() {
            between(whole, &jobs)
        } else {
            marks.quiet.iter().filter_map(clip).collect()
        };
        Stage { take, jobs, quiet }
    }

    /// A job from its first reading above the level: people mark beginnings a little early.
    pub(super) fn at_work(&self, job: Interval, level_watts: f64) -> Interval {
        let mut inside = self.take.between(job.from, job.until).iter();
        let begins = inside.find(|sample| sample.watts > level_watts).map(|sample| sample.at);
        Interval { from: begins.unwrap_or(job.from), until: job.until }
    }

    /// The last reading of a job above the level.
    pub(super) fn last_work(&self, job: Interval, level_watts: f64) -> WallTime {
        let mut inside = self.take.between(job.from, job.until).iter().rev();
        inside.find(|sample| sample.watts > level_watts).map_or(job.until, |sample| sample.at)
    }

    /// The readings of each quiet time, with how long after the job before it they came.
    pub(super) fn quiet_samples(&self) -> impl Iterator<Item = (&Interval, Option<WallTime>, &[Sample])> {
        self.quiet.iter().map(|quiet| {
            let before = self.jobs.iter().rev().find(|job| job.until <= quiet.from).map(|job| job.until);
            (quiet, before, self.take.between(quiet.from, quiet.until))
        })
    }

    /// Until when a job's release can be waited for: the next job, or the end of the recording.
    pub(super) fn release_limit(&self, job: usize) -> WallTime {
        self.jobs.get(job + 1).map_or(self.take.until(), |next| next.from)
    }
}

fn interval_usual(takes: &[Take]) -> Span {
    let pairs = takes.iter().flat_map(|take| take.samples.windows(2));
    let mut intervals: Vec<Span> = pairs.map(|pair| since(pair[0].at, pair[1].at)).collect();
    intervals.sort_unstable();
    intervals.get(intervals.len() / 2).copied().unwrap_or_default()
}

/// What is left of the whole between the jobs. A millisecond belongs to one of them only.
fn between(whole: Interval, jobs: &[Interval]) -> Vec<Interval> {
    let mut quiet = Vec::new();
    let mut from = whole.from;
    for job in jobs {
        if from < job.from {
            quiet.push(Interval { from, until: WallTime(job.from.0 - 1) });
        }
        from = from.max(WallTime(job.until.0 + 1));
    }
    if from < whole.until {
        quiet.push(Interval { from, until: whole.until });
    }
    quiet
}

/// One level, rehearsed.
#[derive(Clone, Debug)]
pub(super) struct Trial {
    pub(super) level_watts: f64,
    pub(super) dwell: Dwell,
    /// From the end of a job until power is let through, on average.
    pub(super) release_mean: Span,
    /// The part of the quiet time in which power could have been cut.
    pub(super) available: f64,
    /// Jobs in which no reading lies above the level.
    pub(super) unseen: usize,
    /// Jobs of these very recordings in which power would have been let through.
    pub(super) cut: usize,
}

impl Trial {
    fn run(scene: &Scene<'_>, level_watts: f64, stays_on: bool, worth: JobWorth) -> Trial {
        let dwell = Dwell::of(Silences::below(scene, level_watts), worth, scene.interval);
        let dwell = if stays_on { dwell.at_least_the_horizon(scene.interval) } else { dwell };
        let limits = limits(level_watts, level_watts, dwell.dwell, scene.gap_max);
        let (mut release, mut through, mut quiet) = (Span::ZERO, 0.0, 0.0);
        let (mut cut, mut unseen) = (0, 0);
        for stage in &scene.stages {
            let stretches = let_through(stage.take, limits);
            for (index, job) in stage.jobs.iter().enumerate() {
                let limit = stage.release_limit(index);
                cut += usize::from(stretches.within(stage.at_work(*job, level_watts)) > Span::ZERO);
                let mut inside = stage.take.between(job.from, job.until).iter();
                unseen += usize::from(!inside.any(|sample| sample.watts > level_watts));
                release.0 += stretches.released(job.until, limit).unwrap_or(since(job.until, limit)).0;
            }
            for interval in &stage.quiet {
                through += millis(stretches.within(*interval));
                quiet += millis(since(interval.from, interval.until));
            }
        }
        let jobs = u64::try_from(scene.jobs().max(1)).unwrap_or(u64::MAX);
        let available = if quiet > 0.0 { through / quiet } else { 0.0 };
        let release_mean = Span(release.0 / jobs);
        Trial { level_watts, dwell, release_mean, available, unseen, cut }
    }
}

pub(super) fn limits(busy_watts: f64, quiet_watts: f64, dwell: Span, gap_max: Span) -> Limits {
    let span = |span: Span| idlegate_detector::Span::from_millis(span.millis());
    Limits { busy_watts, quiet_watts, dwell: span(dwell), gap_max: span(gap_max.min(dwell)) }
}

/// The level to take.
#[derive(Debug)]
pub(super) struct Choice {
    pub(super) trial: Trial,
    /// A reading above this is work; up to it, what is idle may stay so.
    pub(super) busy_watts: f64,
    /// The other side of what runs on after jobs, where anything does.
    pub(super) other: Option<Trial>,
    pub(super) stays_on_watts: Option<f64>,
}

/// Nothing where no level below which the machine comes to rest shows most of the jobs.
pub(super) fn choose(scene: &Scene<'_>, worth: JobWorth) -> Option<Choice> {
    let stays_on_watts = super::band::stays_on_watts(scene);
    let band = Band::of(scene);
    let trials = band.levels_watts(scene).into_iter();
    let trials: Vec<Trial> =
        trials.map(|level| Trial::run(scene, level, stays_on_watts.is_some(), worth)).collect();
    let shows_jobs = |trial: &&Trial| 2 * trial.unseen < scene.jobs();
    let lowest = trials.first().filter(shows_jobs)?;
    // A higher level must neither hide a job nor cut one that the lowest spares.
    let as_safe = |trial: &&Trial| trial.unseen <= lowest.unseen && trial.cut <= lowest.cut;
    let soonest = trials.iter().filter(as_safe).map(|trial| trial.release_mean).min()?;
    let near = |trial: &&Trial| trial.release_mean <= soonest + LATER_MAX;
    let trial = trials.iter().filter(as_safe).find(near)?.clone();
    let other = if trial.level_watts > lowest.level_watts {
        Some(lowest.clone())
    } else {
        // Something may run on in a few jobs only.
        trials.iter().skip(1).find(|other| as_safe(other) && other.release_mean < trial.release_mean).cloned()
    };
    // Between the two levels what is idle stays idle: a blip of the meter is then no new job, unless jobs draw so
    // little.
    let above = trial.level_watts + band.margin_watts;
    let between = part_below(&scene.working, above) > part_below(&scene.working, trial.level_watts);
    let busy_watts = if between { trial.level_watts } else { above };
    Some(Choice { trial, busy_watts, other, stays_on_watts })
}

/// The value that this part of the sorted values does not exceed, linear between two of them: definition 7 of Hyndman
/// and Fan (The American Statistician 50, 1996), which numpy calls "linear".
pub(super) fn quantile(sorted: &[f64], part: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return 0.0 };
    #[expect(clippy::cast_precision_loss, reason = "a recording has fewer readings than that")]
    let place = part.clamp(0.0, 1.0) * last as f64;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to the last index")]
    let below = place.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (sorted[above] - sorted[below]) * place.fract()
}

pub(super) fn part_below(sorted: &[f64], level: f64) -> f64 {
    let below = sorted.partition_point(|watts| *watts < level);
    #[expect(clippy::cast_precision_loss, reason = "a recording has fewer readings than that")]
    let part = below as f64 / sorted.len().max(1) as f64;
    part
}

pub(super) fn millis(span: Span) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a recording is not as long as that")]
    let millis = span.millis() as f64;
    millis
}
