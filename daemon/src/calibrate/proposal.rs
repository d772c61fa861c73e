//! What is proposed, what it rests on, and why sometimes nothing is.

use serde::Serialize;

use super::dwell::{self, Basis};
use super::jobs;
use super::levels::{self, Choice, Scene, limits, quantile};
use super::marks::{Interval, Marks};
use super::rehearsal::let_through;
use super::take::{Take, since};
use crate::time::Span;

/// The detector's own default; a meter that reports less often needs more.
const GAP_MAX_DEFAULT: Span = Span::secs(60);
/// Less quiet than this tells nothing about what idle is.
const QUIET_MIN: Span = Span::secs(120);
/// Nobody wants to wait longer than this for power to go off; a machine that pauses so long has to say more.
const IDLE_FOR_MAX: Span = Span::secs(4 * 3_600);

/// The settings of power-threshold, as the rules write them.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub busy_watts: f64,
    pub quiet_watts: f64,
    pub dwell: Span,
    /// What it draws when idle, as a rule.
    pub idle_watts: f64,
    /// Only where the meter reports too seldom for the default.
    pub gap_max: Option<Span>,
}

impl Settings {
    /// As the detector itself takes them.
    pub fn limits(&self) -> power_threshold::dwell::Limits {
        let gap_max = self.gap_max.unwrap_or(GAP_MAX_DEFAULT);
        limits(self.busy_watts, self.quiet_watts, self.dwell, gap_max)
    }

    /// As the rules write them.
    pub fn to_toml(&self) -> toml_edit::InlineTable {
        super::toml_file::inline(self)
    }

    /// As the rules write it: "2 min 50 s".
    pub fn dwell_text(&self) -> String {
        text_of(self.dwell)
    }
}

/// Exact, other than what a person would say of a long time.
pub(super) fn text_of(span: Span) -> String {
    idlegate_detector::Span::from_millis(span.millis()).to_string()
}

#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    pub settings: Settings,
    pub evidence: Evidence,
    pub sureness: Sureness,
    /// Where it was not said by somebody, where it was found.
    pub jobs: Vec<Interval>,
}

/// What a proposal rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    pub jobs_found: bool,
    /// Half of the readings in quiet times are not above the first, 995 of 1,000 not above the second.
    pub idle_watts_usual: f64,
    pub idle_watts_high: f64,
    pub busy_watts_usual: f64,
    pub pauses: usize,
    pub pause_longest: Span,
    pub basis: Basis,
    /// The chance that a pause to come outlasts the dwell, where pauses were seen.
    pub outlast_chance: Option<f64>,
    /// The part of the quiet time in which power could have been cut.
    pub available: f64,
    /// From the end of each job until power would have been let through.
    pub released: Vec<Option<Span>>,
    /// Jobs of this very recording in which power could have been cut.
    pub jobs_hit: usize,
    pub interval_usual_max: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sureness {
    /// Several jobs, and their pauses are known.
    Good,
    /// Enough to begin with.
    Fair,
    /// One job, or jobs that nobody marked: look at the picture, record more.
    Thin,
}

/// Why nothing is proposed.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refusal {
    #[error("there are no readings to work with")]
    NoReadings,
    #[error(
        "no job shows in the draw, which stays between {low_watts} W and {high_watts} W; record a day with a \
         job in it, or use --job START/END to say when it was working"
    )]
    NoJobs { low_watts: f64, high_watts: f64 },
    #[error("there are no readings in the job {0}; the recordings go from {1} to {2}")]
    JobOutside(String, String, String),
    #[error("the machine is never idle for two minutes in this recording; record some idle time as well")]
    NoQuiet,
    #[error(
        "power alone cannot tell when this machine is working: for {part} % of its jobs it draws no more than \
         when idle ({idle_watts} W). Use its status, or another sign that it is working"
    )]
    Overlap { part: f64, idle_watts: f64 },
    #[error(
        "power alone cannot tell when this machine is working: for {pause} inside a job it draws no more than \
         when idle. Use its status, or another sign that it is working"
    )]
    PausesTooLong { pause: Span },
}

/// The settings for a machine that was recorded like this.
pub fn calibrate(takes: &[Take], marks: &Marks) -> Result<Proposal, Refusal> {
    if takes.iter().all(|take| take.samples.is_empty()) {
        return Err(Refusal::NoReadings);
    }
    let mut marks = marks.clone();
    let jobs_found = marks.jobs.is_empty();
    if jobs_found {
        marks.jobs = jobs::find(takes);
        // What was said to be quiet is no job, however it looks.
        marks.jobs.retain(|job| {
            !marks.quiet.iter().any(|quiet| quiet.from <= job.from && job.until <= quiet.until)
        });
    }
    marks.jobs.iter().try_for_each(|job| inside(takes, *job))?;
    let interval_usual_max = takes.iter().map(Take::interval_usual_max).max().unwrap_or(Span::ZERO);
    let gap_max = GAP_MAX_DEFAULT.max(Span(interval_usual_max.millis().saturating_mul(2)));
    let scene = Scene::new(takes, &marks, gap_max);
    if scene.jobs() == 0 {
        return Err(no_jobs(takes));
    }
    let quiet: u64 =
        scene.stages.iter().flat_map(|stage| &stage.quiet).map(|it| since(it.from, it.until).0).sum();
    if scene.quiet.len() < 10 || Span(quiet) < QUIET_MIN {
        return Err(Refusal::NoQuiet);
    }
    let idle_watts = quantile(&scene.quiet, 0.5);
    let overlap = |part: f64| Refusal::Overlap { part: (part * 100.0).round(), idle_watts };
    let choice = levels::choose(&scene)
        .ok_or_else(|| overlap(levels::part_below(&scene.working, quantile(&scene.quiet, 0.995))))?;
    let trial = &choice.trial;
    if trial.hidden > 0.97 {
        return Err(overlap(trial.hidden));
    }
    if trial.dwell.dwell > IDLE_FOR_MAX {
        return Err(Refusal::PausesTooLong { pause: trial.dwell.pause_longest });
    }
    Ok(proposal(&scene, &choice, marks.jobs, jobs_found, interval_usual_max))
}

fn inside(takes: &[Take], job: Interval) -> Result<(), Refusal> {
    if takes.iter().any(|take| take.samples.iter().any(|sample| job.contains(sample.at))) {
        return Ok(());
    }
    let stamp = crate::text::rfc3339;
    let from = takes.iter().map(Take::from).min().unwrap_or_default();
    let until = takes.iter().map(Take::until).max().unwrap_or_default();
    Err(Refusal::JobOutside(format!("{}/{}", stamp(job.from), stamp(job.until)), stamp(from), stamp(until)))
}

fn no_jobs(takes: &[Take]) -> Refusal {
    let draws = || takes.iter().flat_map(|take| take.samples.iter().map(|sample| sample.watts));
    Refusal::NoJobs {
        low_watts: draws().fold(f64::INFINITY, f64::min),
        high_watts: draws().fold(f64::NEG_INFINITY, f64::max),
    }
}

fn proposal(
    scene: &Scene<'_>,
    choice: &Choice,
    jobs: Vec<Interval>,
    jobs_found: bool,
    interval_usual_max: Span,
) -> Proposal {
    let trial = &choice.trial;
    let quiet_watts = rounded(trial.level_watts);
    let settings = Settings {
        busy_watts: rounded(choice.busy_watts).max(quiet_watts),
        quiet_watts,
        idle_watts: (quantile(&scene.quiet, 0.5) * 10.0).round() / 10.0,
        // A dwell of fewer than three readings would be no dwell.
        dwell: trial.dwell.dwell.max(Span(interval_usual_max.millis().saturating_mul(3))),
        gap_max: (scene.gap_max > GAP_MAX_DEFAULT).then_some(scene.gap_max),
    };
    let limits = settings.limits();
    let (mut released, mut jobs_hit) = (Vec::new(), 0);
    for stage in &scene.stages {
        let stretches = let_through(stage.take, limits);
        for (index, job) in stage.jobs.iter().enumerate() {
            jobs_hit += usize::from(stretches.within(*job) > Span::ZERO);
            released.push(stretches.released(job.until, stage.release_limit(index)));
        }
    }
    let evidence = Evidence {
        jobs_found,
        idle_watts_usual: quantile(&scene.quiet, 0.5),
        idle_watts_high: quantile(&scene.quiet, 0.995),
        busy_watts_usual: quantile(&scene.working, 0.5),
        pauses: trial.dwell.pauses,
        pause_longest: trial.dwell.pause_longest,
        basis: trial.dwell.basis,
        outlast_chance: (trial.dwell.pauses > 0).then(|| {
            let ratio = levels::millis(settings.dwell) / levels::millis(trial.dwell.pause_longest);
            dwell::outlast_chance(trial.dwell.pauses, ratio)
        }),
        available: trial.available,
        released,
        jobs_hit,
        interval_usual_max,
    };
    let sureness = match (evidence.jobs_found, jobs.len(), evidence.basis) {
        _ if evidence.jobs_hit > 0 => Sureness::Thin,
        (_, _, Basis::SilentFloor) | (_, 0..=1, _) => Sureness::Thin,
        (true, _, _) | (false, 2, _) => Sureness::Fair,
        (false, _, Basis::Pauses { .. } | Basis::Floor) => Sureness::Good,
    };
    Proposal { settings, evidence, sureness, jobs }
}

/// To a tenth of a watt, downwards: a lower level is the safer one.
fn rounded(watts: f64) -> f64 {
    ((watts * 10.0).floor() / 10.0).max(0.1)
}
