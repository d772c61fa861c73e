//! `idlegate calibrate`.

mod unusual;

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::exit_code::Exit;
use super::journal;
use super::kept;
use super::output::{self, print_error, print_text};
use super::pictures;
use super::times;
use idlegate_guard::time::Span;
use idlegate_pictures::picture::Picture;
use idlegate_plan::text::rfc3339;
use idlegate_recordings::calibrate::{
    self, Interval, JobWorth, Marks, Proposal, Refusal, Take, TakeError, Written,
};
use idlegate_recordings::recording::{Point, RecordingError};

/// Find the settings of power-threshold in recordings of a machine's draw; with --unusual, those of unusual-draw.
///
/// A recording is CSV with a heading such as time,watts, or SenML JSON (RFC 8428) with one pack per line, plain or
/// gzip. If you know when the machine was working, say so; otherwise the jobs are found in the recording.
#[derive(Debug, clap::Args)]
pub(super) struct CalibrateArgs {
    /// Recordings of one machine; with --last, the machine.
    #[arg(required = true, value_name = "RECORDING")]
    recordings: Vec<PathBuf>,
    /// Use the readings of the machine that Idlegate has kept for so long (keep_readings in shop.toml).
    #[arg(long, value_name = "TIME", value_parser = times::span)]
    last: Option<Span>,
    /// The rules folder, which says what a job is worth (job_worth) and, for --last, where the state folder is.
    #[arg(long, value_name = "DIR")]
    rules: Option<PathBuf>,
    /// With --last: the state folder that holds the readings.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    state_dir: Option<PathBuf>,
    /// The signal to use, if a recording has several in watts.
    #[arg(long, value_name = "NAME")]
    signal: Option<String>,
    /// A time when it was working, as an ISO 8601 interval: START/END, START/DURATION or DURATION/END.
    #[arg(long = "job", value_name = "START/END")]
    jobs: Vec<Interval>,
    /// A time when it was idle. If you give any, nothing else counts as idle; otherwise all time outside jobs does.
    #[arg(long, value_name = "START/END")]
    quiet: Vec<Interval>,
    /// How long a wait is as bad as one spoiled job: the more, the longer the dwell. Overrides job_worth in the rules,
    /// which is 8h unless set.
    #[arg(long, value_name = "SPAN")]
    job_worth: Option<idlegate_detector::Span>,
    /// Work out the settings of unusual-draw instead, which warns of a draw as there never was before. Give at least a
    /// week of work.
    #[arg(long, conflicts_with_all = ["jobs", "quiet", "job_worth", "svg"])]
    unusual: bool,
    /// Print the proposal as JSON.
    #[arg(long)]
    json: bool,
    /// Put the settings into this machine's file. A file that does not exist yet becomes a new machine to fill in.
    #[arg(long, value_name = "FILE")]
    write: Option<PathBuf>,
    /// Draw the recording with its levels, jobs and verdicts into this SVG file.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

impl CalibrateArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        if self.unusual {
            return unusual::run(self);
        }
        let Some(last) = self.last else { return of_files(self) };
        match journal::state_folder(self.rules.as_deref(), self.state_dir.as_deref())? {
            Ok(state) => of_kept(self, last, &state),
            Err(exit) => Ok(exit),
        }
    }
}

fn of_files(wanted: &CalibrateArgs) -> anyhow::Result<Exit> {
    match read(wanted) {
        Ok(takes) => propose(wanted, None, &takes),
        Err(error) => {
            print_error!("idlegate: {:#}", anyhow::Error::from(error));
            Ok(Exit::No)
        }
    }
}

/// From the readings of a machine that the guard has kept.
fn of_kept(wanted: &CalibrateArgs, last: Span, state: &Path) -> anyhow::Result<Exit> {
    let [machine] = &wanted.recordings[..] else {
        print_error!("idlegate: with --last, give one machine");
        return Ok(Exit::Usage);
    };
    let machine = machine.to_string_lossy();
    let points = match kept::open(state, last) {
        Ok(points) => points,
        Err(exit) => return Ok(exit),
    };
    let (its_own, signal) = its_own(&machine, points, wanted.signal.as_deref());
    let name = name_of_kept(&machine, last);
    match Take::from_points(name, its_own, signal.as_deref()) {
        Ok(take) => propose(wanted, Some(&machine), &[take]),
        Err(error) => {
            print_error!("idlegate: {:#}", anyhow::Error::from(error));
            Ok(Exit::No)
        }
    }
}

/// The readings of one machine among all that were kept, and its signal by the name that it has there.
fn its_own(
    machine: &str,
    points: impl Iterator<Item = Point>,
    signal: Option<&str>,
) -> (impl Iterator<Item = Result<Point, RecordingError>>, Option<String>) {
    let prefix = format!("{machine}/");
    let signal = signal.map(|signal| match signal.contains('/') {
        true => signal.to_owned(),
        false => format!("{prefix}{signal}"),
    });
    (points.filter(move |point| point.signal.starts_with(&prefix)).map(Ok), signal)
}

fn name_of_kept(machine: &str, last: Span) -> String {
    format!("the readings of {machine} in the last {last}")
}

fn propose(wanted: &CalibrateArgs, machine: Option<&str>, takes: &[Take]) -> anyhow::Result<Exit> {
    let marks = Marks { jobs: wanted.jobs.clone(), quiet: wanted.quiet.clone() };
    let proposal = match calibrate::calibrate(takes, &marks, worth(wanted, machine)) {
        Ok(proposal) => proposal,
        Err(refusal) => {
            let exit = refused(&refusal, wanted.json);
            let pictures = undecided(takes, &marks, &refusal);
            if !wanted.json {
                pictures::show(&pictures);
            }
            if let Some(path) = &wanted.svg {
                pictures::draw(path, &pictures)?;
            }
            return Ok(exit);
        }
    };
    if wanted.json {
        output::json(&as_json(&proposal));
    } else {
        print_text!("{}", calibrate::words(takes, &proposal));
        pictures::show(&drawn(takes, &proposal));
    }
    if let Some(path) = &wanted.svg {
        pictures::draw(path, &drawn(takes, &proposal))?;
    }
    if let Some(path) = &wanted.write {
        let written = calibrate::write(path, &proposal.settings)?;
        let what = match written {
            Written::New => "wrote a new machine; now fill in the topics of its outlet and its meter",
            Written::Changed => "changed the settings of power-threshold",
            Written::Added => "added power-threshold with these settings",
        };
        print_error!("{}: {what}", path.display());
    }
    Ok(Exit::Good)
}

/// What a job is worth: as the command line says, else as the rules do, of the machine whose file is to be written if
/// need be.
fn worth(wanted: &CalibrateArgs, machine: Option<&str>) -> JobWorth {
    if let Some(said) = wanted.job_worth {
        return JobWorth(Span(said.as_millis()));
    }
    let in_folder = |file: &PathBuf| {
        let machines = file.parent().filter(|dir| dir.file_name().is_some_and(|name| name == "machines"))?;
        Some((machines.parent()?.to_path_buf(), file.file_stem()?.to_string_lossy().into_owned()))
    };
    let (dir, written) = wanted.write.as_ref().and_then(in_folder).unzip();
    let Some(dir) = wanted.rules.clone().or(dir) else { return JobWorth::default() };
    JobWorth(idlegate_rules::job_worth(&dir, machine.or(written.as_deref())))
}

fn read(wanted: &CalibrateArgs) -> Result<Vec<Take>, TakeError> {
    let bar = super::progress::count(wanted.recordings.len(), "recordings");
    let takes = wanted.recordings.iter().map(|path| {
        let take = Take::read(path, wanted.signal.as_deref());
        bar.inc(1);
        take
    });
    let takes = takes.collect();
    bar.finish_and_clear();
    takes
}

fn drawn(takes: &[Take], proposal: &Proposal) -> Vec<Picture> {
    takes.iter().map(|take| calibrate::picture(take, proposal)).collect()
}

/// What there is to look at where nothing is proposed.
pub(super) fn undecided(takes: &[Take], marks: &Marks, refusal: &Refusal) -> Vec<Picture> {
    match refusal {
        Refusal::CutsAJob { proposal, .. } => drawn(takes, proposal),
        Refusal::NoReadings
        | Refusal::NoJobs { .. }
        | Refusal::JobOutside(..)
        | Refusal::NoQuiet
        | Refusal::Overlap { .. }
        | Refusal::PausesTooLong { .. } => {
            takes.iter().map(|take| calibrate::bare_picture(take, &marks.jobs)).collect()
        }
    }
}

fn refused(refusal: &Refusal, json: bool) -> Exit {
    if json {
        output::json(&json!({ "refused": refusal.to_string() }));
    } else {
        print_error!("idlegate: {refusal}");
    }
    Exit::No
}

fn as_json(proposal: &Proposal) -> Value {
    let Proposal { settings, evidence, sureness, jobs } = proposal;
    json!({
        "busy_watts": settings.busy_watts,
        "quiet_watts": settings.quiet_watts,
        "dwell": settings.dwell_text(),
        "dwell_seconds": settings.dwell.as_secs_f64(),
        "gap_max": settings.gap_max.map(|gap| gap.to_string()),
        "sureness": sureness,
        "jobs_found": evidence.jobs_found,
        "jobs": jobs.iter().map(|job| json!({ "start": rfc3339(job.from), "end": rfc3339(job.until) })).collect::<Vec<_>>(),
        "evidence": {
            "idle_watts_usual": evidence.idle_watts_usual,
            "idle_watts_high": evidence.idle_watts_high,
            "busy_watts_usual": evidence.busy_watts_usual,
            "pauses": evidence.silences.pauses.len(),
            "longest_pause_seconds": evidence.silences.longest().unwrap_or_default().as_secs_f64(),
            "silences_finished": evidence.silences.finished,
            "job_worth_seconds": evidence.worth.0.as_secs_f64(),
            "goes_on_chance": evidence.goes_on_chance,
            "stays_on_watts": evidence.stays_on_watts,
            "other_level": evidence.other.as_ref().map(|other| json!({
                "quiet_watts": other.quiet_watts,
                "dwell_seconds": other.dwell.as_secs_f64(),
                "released_after_seconds_mean": other.release_mean.as_secs_f64(),
            })),
            "more_jobs_for_a_shorter_dwell": evidence.dwell_if_more.map(|(jobs, dwell)| json!({
                "jobs": jobs, "dwell_seconds": dwell.as_secs_f64(),
            })),
            "dwell_seconds_if_unmarked_silences_were_ends": evidence.dwell_if_ends.map(|(_, dwell)| dwell.as_secs_f64()),
            "released_after_seconds_mean": evidence.release_mean.as_secs_f64(),
            "idle_share_released": evidence.available,
            "released_after_seconds": evidence.released.iter().map(|span| span.map(idlegate_guard::time::Span::as_secs_f64)).collect::<Vec<_>>(),
            "jobs_hit": evidence.jobs_hit,
        },
    })
}
