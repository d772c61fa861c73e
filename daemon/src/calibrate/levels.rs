//! Which draw tells idle from working.
//!
//! Every level between two draws that occur is tried: with it, how long are the pauses of the jobs, how soon after a
//! job would power be let through, and how much of the quiet time? The lowest level is taken that lets go as well as
//! any. Lower is safer: what a machine still draws in a pause (its pump, its electronics) then counts as working.

use power_threshold::dwell::Limits;

use super::dwell::{self, Dwell};
use super::marks::{Interval, Marks};
use super::rehearsal::let_through;
use super::take::{Take, since};
use crate::time::{Span, WallTime};

/// More levels than this tell nothing new.
const LEVELS_MAX: usize = 64;
/// A level lets go as well as the best one if it is later by no more than this, on average over the jobs,
const LATER_MAX_MILLIS: f64 = 60_000.0;
/// and if it lets through no less of the quiet time than this below the best one.
const AVAILABLE_LESS_MAX: f64 = 0.02;
/// The level is at least so far above the idle draw that only 5 of 1,000 readings exceed: many meters round to 2 W.
const CLEAR_WATTS: f64 = 2.5;
const CLEAR_PART: f64 = 0.05;
/// A level that gives less of the quiet time than this is none.
const AVAILABLE_MIN: f64 = 0.5;
/// A margin against a standby that creeps: at most so many watts, or so large a part of the level.
const MARGIN_WATTS: f64 = 4.0;
const MARGIN_PART: f64 = 0.25;
/// The margin must not lengthen the longest pause by more than this,
const MARGIN_PAUSE_MAX: Span = Span::secs(5);
/// nor hide more than this part of the time of the jobs.
const MARGIN_HIDDEN_MAX: f64 = 0.01;
/// A third of the way to the draw where more of the jobs would be hidden is near enough.
const MARGIN_WAY: f64 = 1.0 / 3.0;
/// To let go sooner a level may hide no more of the jobs than this beyond the lowest level that lets go at all.
const HIDDEN_MORE_MAX: f64 = 0.03;
const PAUSE_MORE_MAX: Span = Span::secs(30);
const HIDDEN_TELLS_MAX: f64 = 0.3;

/// The recordings with what is known about them.
#[derive(Debug)]
pub(super) struct Scene<'a> {
    pub(super) stages: Vec<Stage<'a>>,
    pub(super) gap_max: Span,
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
                let within = move |at| of(stage).iter().any(|interval| interval.contains(at));
                stage.take.samples.iter().filter(move |sample| within(sample.at)).map(|sample| sample.watts)
            });
            let mut draws: Vec<f64> = inside.filter(|watts| watts.is_finite()).collect();
            draws.sort_unstable_by(f64::total_cmp);
            draws
        };
        let (working, quiet) = (draws(|stage| &stage.jobs), draws(|stage| &stage.quiet));
        Scene { stages, gap_max, working, quiet }
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
    fn at_work(&self, job: Interval, level_watts: f64) -> Interval {
        let mut inside = self.take.samples.iter().filter(|sample| job.contains(sample.at));
        let begins = inside.find(|sample| sample.watts > level_watts).map(|sample| sample.at);
        Interval { from: begins.unwrap_or(job.from), until: job.until }
    }

    /// Until when a job's release can be waited for: the next job, or the end of the recording.
    pub(super) fn release_limit(&self, job: usize) -> WallTime {
        self.jobs.get(job + 1).map_or(self.take.until(), |next| next.from)
    }
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
    /// The mean time by which power is let through later than the dwell after the end of a job.
    late_mean_millis: f64,
    /// The part of the quiet time in which power could have been cut.
    pub(super) available: f64,
    /// The part of the readings inside jobs that lie below the level.
    pub(super) hidden: f64,
    /// Jobs of these very recordings in which power would have been let through.
    pub(super) cut: usize,
}

impl Trial {
    fn run(scene: &Scene<'_>, level_watts: f64) -> Trial {
        let dwell = dwell::for_level(scene, level_watts);
        let limits = limits(level_watts, level_watts, dwell.dwell, scene.gap_max);
        let (mut late, mut through, mut quiet, mut cut) = (0.0, 0.0, 0.0, 0);
        for stage in &scene.stages {
            let stretches = let_through(stage.take, limits);
            for (index, job) in stage.jobs.iter().enumerate() {
                let limit = stage.release_limit(index);
                let room = since(job.until, limit);
                cut += usize::from(stretches.within(stage.at_work(*job, level_watts)) > Span::ZERO);
                let took = stretches.released(job.until, limit).unwrap_or(room);
                late += millis(Span(took.0.saturating_sub(dwell.dwell.0)));
            }
            for interval in &stage.quiet {
                through += millis(stretches.within(*interval));
                quiet += millis(since(interval.from, interval.until));
            }
        }
        #[expect(clippy::cast_precision_loss, reason = "nobody has so many jobs")]
        let jobs = scene.jobs().max(1) as f64;
        Trial {
            level_watts,
            dwell,
            late_mean_millis: late / jobs,
            available: if quiet > 0.0 { through / quiet } else { 0.0 },
            hidden: part_below(&scene.working, level_watts),
            cut,
        }
    }
}

pub(super) fn limits(busy_watts: f64, quiet_watts: f64, dwell: Span, gap_max: Span) -> Limits {
    let span = |span: Span| idle_detector_span(span);
    Limits { busy_watts, quiet_watts, dwell: span(dwell), gap_max: span(gap_max.min(dwell)) }
}

fn idle_detector_span(span: Span) -> idlegate_detector::Span {
    idlegate_detector::Span::from_millis(span.millis())
}

/// The level to take, and the highest that tells the same.
#[derive(Debug)]
pub(super) struct Choice {
    pub(super) trial: Trial,
    /// A reading above this is work; up to it, what is idle may stay so.
    pub(super) busy_watts: f64,
}

pub(super) fn choose(scene: &Scene<'_>) -> Option<Choice> {
    let trials: Vec<Trial> = candidates(scene).into_iter().map(|level| Trial::run(scene, level)).collect();
    // Whatever else a level is good for, it must not cut the jobs it was found with, if any level can spare them and still
    // lets go at all.
    let lets_go = |trial: &&Trial| trial.available >= AVAILABLE_MIN;
    let cut_least = trials.iter().filter(lets_go).map(|trial| trial.cut).min()?;
    let sparing = |trial: &&Trial| trial.available >= AVAILABLE_MIN && trial.cut == cut_least;
    let available_best = trials.iter().filter(sparing).map(|trial| trial.available).fold(0.0, f64::max);
    let usable =
        |trial: &Trial| trial.cut == cut_least && trial.available >= available_best - AVAILABLE_LESS_MAX;
    let first = trials.iter().position(usable)?;
    let hidden_max = most_hidden(&trials[first], HIDDEN_MORE_MAX);
    let pause_max = trials[first].dwell.pause_longest + PAUSE_MORE_MAX;
    let fit =
        |trial: &Trial| usable(trial) && trial.hidden <= hidden_max && trial.dwell.pause_longest <= pause_max;
    let late = |trial: &Trial| trial.late_mean_millis;
    let soonest = trials.iter().filter(|trial| fit(trial)).map(late).fold(f64::INFINITY, f64::min);
    let lowest = trials.iter().position(|trial| fit(trial) && late(trial) <= soonest + LATER_MAX_MILLIS)?;
    let trial = with_margin(&trials[lowest..])?.clone();
    // Between the two levels what is idle stays idle: a blip of the meter is then no new job, unless jobs draw so little.
    let above = (trial.level_watts * 1.1).max(trial.level_watts + 1.0);
    let between = part_below(&scene.working, above) - trial.hidden;
    let busy_watts = if between <= MARGIN_HIDDEN_MAX { above } else { trial.level_watts };
    Some(Choice { trial, busy_watts })
}

/// Where a machine is silent for much of its jobs anyway, as a printer between two pages, how much of them lies below a
/// level tells nothing; only its pauses do.
fn most_hidden(base: &Trial, more: f64) -> f64 {
    if base.hidden > HIDDEN_TELLS_MAX { 1.0 } else { base.hidden + more }
}

/// Somewhat above the first of these levels, where that tells the same.
fn with_margin(trials: &[Trial]) -> Option<&Trial> {
    let base = trials.first()?;
    let same = |trial: &Trial| {
        trial.cut <= base.cut
            && trial.dwell.pause_longest <= base.dwell.pause_longest + MARGIN_PAUSE_MAX
            && trial.hidden <= most_hidden(base, MARGIN_HIDDEN_MAX)
    };
    let wall = trials.iter().find(|trial| !same(trial)).map_or(f64::INFINITY, |trial| trial.level_watts);
    let room = MARGIN_WATTS.max(MARGIN_PART * base.level_watts).min(MARGIN_WAY * (wall - base.level_watts));
    trials.iter().take_while(|trial| same(trial) && trial.level_watts <= base.level_watts + room).last()
}

/// Levels between draws that occur, from what is usual in quiet times up to what is usual in jobs.
fn candidates(scene: &Scene<'_>) -> Vec<f64> {
    let usual_working = quantile(&scene.working, 0.6);
    let lowest = quantile(&scene.quiet, 0.25);
    let mut draws: Vec<f64> = scene.quiet.iter().chain(&scene.working).copied().collect();
    draws.retain(|watts| (lowest..=usual_working.max(lowest)).contains(watts));
    draws.sort_unstable_by(f64::total_cmp);
    draws.dedup_by(|next, before| *next - *before < 0.5f64.max(0.02 * *before));
    let mut levels: Vec<f64> = draws
        .windows(2)
        // In a wide gap the level stays near its lower edge, where a standby that creeps is still below it.
        .map(|pair| f64::midpoint(pair[0], pair[1]).min(pair[0] * (1.0 + MARGIN_PART) + MARGIN_WATTS))
        .collect();
    let above = |draw: f64| draw + CLEAR_WATTS.max(CLEAR_PART * draw);
    levels.extend([0.995, 0.999, 1.0].map(|part| above(quantile(&scene.quiet, part))));
    let lowest = above(quantile(&scene.quiet, 0.995));
    levels.retain(|level| *level >= lowest);
    levels.sort_unstable_by(f64::total_cmp);
    levels.dedup_by(|next, before| *next - *before < 0.25);
    levels.truncate(LEVELS_MAX);
    levels
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
