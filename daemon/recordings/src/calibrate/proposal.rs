//! What is proposed, what it rests on, and why sometimes nothing is.

use serde::Serialize;

use super::dwell::{Dwell, FLOOR, JobWorth};
use super::jobs;
use super::levels::{self, Choice, Scene, Trial, limits, part_below, quantile};
use super::marks::{Interval, Marks};
use super::rehearsal::let_through;
use super::silences::Silences;
use super::take::{Take, since};
use idlegate_guard::time::{Span, WallTime};

/// The detector's own default; a meter that reports less often needs more.
pub(super) const GAP_MAX_DEFAULT: Span = Span::secs(60);
/// Less quiet than this tells nothing about what idle is.
const QUIET_MIN: Span = Span::secs(120);
/// Nobody records more jobs than these to wait for a little less.
const JOBS_MORE_MAX: usize = 30;
/// Nobody wants to wait longer than this for power to go off; a machine that pauses so long has to say more.
const DWELL_MAX: Span = Span::secs(4 * 3_600);

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
    /// What the silences below the level have shown.
    pub silences: Silences,
    /// One spoiled job counts as so much waiting.
    pub worth: JobWorth,
    /// The chance that the job goes on after a silence that has lasted for the whole dwell.
    pub goes_on_chance: f64,
    /// Where the machine stays on at this draw after its jobs, so that power alone cannot tell its last phase.
    pub stays_on_watts: Option<f64>,
    /// Where something runs on after jobs: what the other level would cost.
    pub other: Option<Side>,
    /// Where nobody marked the jobs: what the dwell would be if each longer silence in them had been the end of one.
    pub dwell_if_ends: Option<(usize, Span)>,
    /// So many further jobs without a longer pause would bring the dwell down to this.
    pub dwell_if_more: Option<(usize, Span)>,
    /// From the end of a job until power was let through, on average.
    pub release_mean: Span,
    /// The part of the quiet time in which power could have been cut.
    pub available: f64,
    /// From the end of each job until power would have been let through.
    pub released: Vec<Option<Span>>,
    /// Jobs of this very recording in which power could have been cut.
    pub jobs_hit: usize,
    pub interval_usual_max: Span,
}

/// A level on the other side of what runs on after jobs.
#[derive(Clone, Debug, PartialEq)]
pub struct Side {
    pub quiet_watts: f64,
    pub dwell: Span,
    pub release_mean: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sureness {
    /// Marked jobs, enough of them to have earned a shorter dwell.
    Good,
    /// Enough to begin with, at the longest dwell.
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
    #[error("{}", cut.words())]
    CutsAJob { cut: Cut, proposal: Box<Proposal> },
}

/// What the best settings would still have done to these very recordings.
#[derive(Clone, Debug, PartialEq)]
pub struct Cut {
    jobs: usize,
    /// The first of them, and from when off would have been possible in it.
    job: Interval,
    from: WallTime,
    quiet_watts: f64,
    dwell: Span,
    /// With a job worth so much it would have waited so long, and cut none.
    patient: Option<(JobWorth, Span)>,
}

impl Cut {
    fn words(&self) -> String {
        let stamp = idlegate_plan::text::rfc3339;
        let (from, job) = (stamp(self.from), format!("{}/{}", stamp(self.job.from), stamp(self.job.until)));
        let jobs = match self.jobs {
            1 => "one of these jobs".to_owned(),
            jobs => format!("{jobs} of these jobs"),
        };
        let longer = match self.patient {
            Some((worth, dwell)) => {
                format!(
                    ", or wait for longer: with --job-worth {}h the dwell is {}",
                    worth.0.0 / HOUR.0,
                    text_of(dwell)
                )
            }
            None => String::new(),
        };
        format!(
            "no settings that are worth the wait spare every job: below {} W for {} counts as idle, so power could have been cut \
             in {jobs}, the first time in the job {job}, from {from} on. If it had finished by then, say with --job that this \
             job ended earlier. If it only pauses for so long, use its status as well, or another sign that it is \
             working{longer}",
            self.quiet_watts,
            text_of(self.dwell)
        )
    }
}

const HOUR: Span = Span::secs(3_600);

/// The settings for a machine that was recorded like this.
pub fn calibrate(takes: &[Take], marks: &Marks, worth: JobWorth) -> Result<Proposal, Refusal> {
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
    let choice = levels::choose(&scene, worth)
        .ok_or_else(|| overlap(part_below(&scene.working, quantile(&scene.quiet, 0.995))))?;
    let dwell = &choice.trial.dwell;
    if dwell.dwell > DWELL_MAX {
        return Err(Refusal::PausesTooLong { pause: dwell.silences.longest().unwrap_or_default() });
    }
    let jobs = Jobs { jobs: marks.jobs, found: jobs_found };
    let proposal = proposal(&scene, &choice, &jobs, worth, interval_usual_max);
    match first_cut(&scene, &proposal.settings, jobs_found) {
        Some((job, from)) => Err(cuts_a_job(&scene, job, from, proposal)),
        None => Ok(proposal),
    }
}

/// The first job in which power could have been cut, and from when on. Of a job that nobody marked only its last work
/// is sure: its end is a guess, and nothing is lost behind the one.
fn first_cut(scene: &Scene<'_>, settings: &Settings, jobs_found: bool) -> Option<(Interval, WallTime)> {
    scene.stages.iter().find_map(|stage| {
        let stretches = let_through(stage.take, settings.limits());
        stage.jobs.iter().find_map(|job| {
            let mut work = stage.at_work(*job, settings.quiet_watts);
            if jobs_found {
                work.until = stage.last_work(*job, settings.quiet_watts);
            }
            let cut = stretches.0.iter().find(|it| it.until > work.from && it.from < work.until)?;
            Some((*job, cut.from.max(work.from)))
        })
    })
}

fn cuts_a_job(scene: &Scene<'_>, job: Interval, from: WallTime, proposal: Proposal) -> Refusal {
    // In doublings of a working day, up to two years.
    let patient = (1..=11).find_map(|doublings| {
        let worth = JobWorth(Span(JobWorth::default().0.0 << doublings));
        let choice = levels::choose(scene, worth)?;
        let trial = choice.trial;
        (trial.cut == 0 && trial.dwell.dwell <= DWELL_MAX).then_some((worth, trial.dwell.dwell))
    });
    let Settings { quiet_watts, dwell, .. } = proposal.settings;
    let cut = Cut { jobs: proposal.evidence.jobs_hit, job, from, quiet_watts, dwell, patient };
    Refusal::CutsAJob { cut, proposal: Box::new(proposal) }
}

fn inside(takes: &[Take], job: Interval) -> Result<(), Refusal> {
    if takes.iter().any(|take| take.samples.iter().any(|sample| job.contains(sample.at))) {
        return Ok(());
    }
    let stamp = idlegate_plan::text::rfc3339;
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

struct Jobs {
    jobs: Vec<Interval>,
    found: bool,
}

fn proposal(
    scene: &Scene<'_>,
    choice: &Choice,
    jobs: &Jobs,
    worth: JobWorth,
    interval_usual_max: Span,
) -> Proposal {
    let trial = &choice.trial;
    // A dwell of fewer than three readings would be no dwell.
    let dwell_least = Span(interval_usual_max.millis().saturating_mul(3));
    let quiet_watts = rounded(trial.level_watts);
    let settings = Settings {
        busy_watts: rounded(choice.busy_watts).max(quiet_watts),
        quiet_watts,
        idle_watts: (quantile(&scene.quiet, 0.5) * 10.0).round() / 10.0,
        dwell: trial.dwell.dwell.max(dwell_least),
        gap_max: (scene.gap_max > GAP_MAX_DEFAULT).then_some(scene.gap_max),
    };
    let limits = settings.limits();
    let (mut released, mut jobs_hit) = (Vec::new(), 0);
    for stage in &scene.stages {
        let stretches = let_through(stage.take, limits);
        for (index, job) in stage.jobs.iter().enumerate() {
            let work = stage.at_work(*job, settings.quiet_watts);
            jobs_hit += usize::from(stretches.within(work) > Span::ZERO);
            released.push(stretches.released(job.until, stage.release_limit(index)));
        }
    }
    let side = |other: &Trial| Side {
        quiet_watts: rounded(other.level_watts),
        dwell: other.dwell.dwell.max(dwell_least),
        release_mean: other.release_mean,
    };
    let evidence = Evidence {
        jobs_found: jobs.found,
        idle_watts_usual: quantile(&scene.quiet, 0.5),
        idle_watts_high: quantile(&scene.quiet, 0.995),
        busy_watts_usual: quantile(&scene.working, 0.5),
        silences: trial.dwell.silences.clone(),
        worth,
        goes_on_chance: trial.dwell.goes_on_chance,
        stays_on_watts: choice.stays_on_watts,
        other: choice.other.as_ref().map(side),
        dwell_if_ends: jobs.found.then(|| if_ends(&trial.dwell, worth, scene.interval)).flatten(),
        dwell_if_more: if_more(&trial.dwell, choice.stays_on_watts.is_some(), worth, scene.interval),
        release_mean: trial.release_mean,
        available: trial.available,
        released,
        jobs_hit,
        interval_usual_max,
    };
    let sureness = match jobs.jobs.len() {
        0..=1 => Sureness::Thin,
        _ if jobs.found => Sureness::Thin,
        2 => Sureness::Fair,
        _ if evidence.stays_on_watts.is_some() => Sureness::Fair,
        _ => Sureness::Good,
    };
    Proposal { settings, evidence, sureness, jobs: jobs.jobs.clone() }
}

/// What the dwell would be if each silence longer than the floor had been the end of a job, where that makes a
/// difference.
fn if_ends(dwell: &Dwell, worth: JobWorth, interval: Span) -> Option<(usize, Span)> {
    let mut silences = dwell.silences.clone();
    silences.pauses.retain(|pause| since(pause.from, pause.until) < FLOOR);
    let ends = dwell.silences.pauses.len() - silences.pauses.len();
    silences.finished += ends;
    let other = Dwell::of(silences, worth, interval).dwell;
    (ends > 0 && other < dwell.dwell).then_some((ends, other))
}

/// How many further jobs without a longer pause it takes until the dwell is a quarter shorter, or at its shortest.
/// Nothing where no number of jobs does it.
fn if_more(dwell: &Dwell, stays_on: bool, worth: JobWorth, interval: Span) -> Option<(usize, Span)> {
    if stays_on || dwell.dwell <= FLOOR {
        return None;
    }
    (1..=JOBS_MORE_MAX).find_map(|more| {
        let mut silences = dwell.silences.clone();
        silences.finished += more;
        let shorter = Dwell::of(silences, worth, interval).dwell;
        (4 * shorter.0 <= 3 * dwell.dwell.0 || shorter <= FLOOR).then_some((more, shorter))
    })
}

/// To a tenth of a watt, downwards: a lower level is the safer one.
fn rounded(watts: f64) -> f64 {
    ((watts * 10.0).floor() / 10.0).max(0.1)
}
