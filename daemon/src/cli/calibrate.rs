//! `idlegate calibrate`.

use std::path::PathBuf;

use serde_json::{Value, json};

use super::exit_code::Exit;
use super::pictures;
use crate::calibrate::{self, Interval, Marks, Proposal, Refusal, Take, TakeError, Written};
use crate::picture::Picture;
use crate::text::rfc3339;

/// What the command line says.
#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) recordings: Vec<PathBuf>,
    pub(super) signal: Option<String>,
    pub(super) jobs: Vec<Interval>,
    pub(super) quiet: Vec<Interval>,
    pub(super) json: bool,
    pub(super) write: Option<PathBuf>,
    pub(super) svg: Option<PathBuf>,
}

pub(super) fn calibrate(wanted: Wanted) -> anyhow::Result<Exit> {
    let takes = match read(&wanted) {
        Ok(takes) => takes,
        Err(error) => {
            eprintln!("idlegate: {:#}", anyhow::Error::from(error));
            return Ok(Exit::No);
        }
    };
    let marks = Marks { jobs: wanted.jobs.clone(), quiet: wanted.quiet.clone() };
    let proposal = match calibrate::calibrate(&takes, &marks) {
        Ok(proposal) => proposal,
        Err(refusal) => return Ok(refused(&refusal, wanted.json)),
    };
    if wanted.json {
        println!("{}", as_json(&proposal));
    } else {
        print!("{}", calibrate::words(&takes, &proposal));
        pictures::show(&drawn(&takes, &proposal));
    }
    if let Some(path) = &wanted.svg {
        pictures::draw(path, &drawn(&takes, &proposal))?;
    }
    if let Some(path) = &wanted.write {
        let written = calibrate::write(path, &proposal.settings)?;
        let what = match written {
            Written::New => "wrote a new machine; now fill in the topics of its outlet and its meter",
            Written::Changed => "changed the settings of power-threshold",
            Written::Added => "added power-threshold with these settings",
        };
        eprintln!("{}: {what}", path.display());
    }
    Ok(Exit::Good)
}

fn read(wanted: &Wanted) -> Result<Vec<Take>, TakeError> {
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

fn refused(refusal: &Refusal, json: bool) -> Exit {
    if json {
        println!("{}", json!({ "refused": refusal.to_string() }));
    } else {
        eprintln!("idlegate: {refusal}");
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
            "pauses": evidence.pauses,
            "longest_pause_seconds": evidence.pause_longest.as_secs_f64(),
            "outlast_chance": evidence.outlast_chance,
            "idle_share_released": evidence.available,
            "released_after_seconds": evidence.released.iter().map(|span| span.map(crate::time::Span::as_secs_f64)).collect::<Vec<_>>(),
            "jobs_hit": evidence.jobs_hit,
        },
    })
}
