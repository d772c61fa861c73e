//! The machine's draw: measured now, or from recordings that are there; and the levels it shows.

use std::path::{Path, PathBuf};

use super::dialogue::{Dialogue, Told};
use super::tape::Tape;
use crate::cli::pictures;
use idlegate_guard::time::{Span, WallTime};
use idlegate_os::Clock;
use idlegate_plan::text::{counted, rfc3339};
use idlegate_recordings::calibrate::{self, Interval, JobWorth, Marks, Settings, Take};
use idlegate_setup::commission::{Notebook, known};

pub(super) async fn measure(dialogue: &mut Dialogue, notebook: &mut Notebook) -> Told<()> {
    let ways = [
        "measure it now: a few minutes idle, then a job from beginning to end",
        "use recordings you already have (CSV, or SenML as `idlegate record` writes it)",
        "type the levels, if you know them",
    ];
    match dialogue.choose("How?", &ways.map(str::to_owned)).await? {
        Ok(0) => now(dialogue, notebook).await,
        Ok(1) => recordings(dialogue, notebook).await,
        Ok(_) => {
            let limits = typed(dialogue, notebook, None).await?;
            (notebook.notes.recordings, notebook.notes.limits) = (Vec::new(), Some(limits));
            Ok(())
        }
        Err(_) => Box::pin(measure(dialogue, notebook)).await,
    }
}

async fn now(dialogue: &mut Dialogue, notebook: &mut Notebook) -> Told<()> {
    let Some(meter) = notebook.notes.meter.clone() else { return Err(super::dialogue::Leave::Back) };
    let file = notebook.path("jsonl");
    notebook.save()?;
    let mut tape = Tape::open(&file, &format!("{}/power", notebook.machine()), &meter)?;
    tape.begin_with(dialogue, &meter);
    let idle_min = tape.idle_min();
    dialogue.say("First idle: leave the machine on, as it is between two jobs.");
    let begin = Clock.now().wall;
    loop {
        tape.roll(dialogue, &format!("Leave it like that for {idle_min} or longer.")).await?;
        let lasted = span(begin, Clock.now().wall);
        if lasted >= idle_min {
            break;
        }
        dialogue.say(&format!("(That was {lasted}. Less than {idle_min} is too short to go by.)"));
    }
    let quiet = interval(begin, Clock.now().wall);
    tape.roll(
        dialogue,
        "Now start a typical job; warming up is part of it. When it is running, press Enter.",
    )
    .await?;
    let started = Clock.now().wall;
    tape.roll(
        dialogue,
        "Let the job run to its end; a longer job shows more pauses. When it is done, press Enter.",
    )
    .await?;
    let job = interval(started, Clock.now().wall);
    tape.roll(dialogue, "Wait until everything that keeps running afterwards, such as a fan, has stopped.")
        .await?;
    dialogue.say(&format!("{} in {}", counted(tape.count(), "reading"), file.display()));
    if tape.is_empty() {
        dialogue.say("No readings came. Is this the right topic?");
        return Err(super::dialogue::Leave::Back);
    }
    let notes = &mut notebook.notes;
    if !notes.recordings.contains(&file) {
        notes.recordings.push(file);
    }
    notes.jobs.push(job);
    notes.quiet.push(quiet);
    Ok(())
}

async fn recordings(dialogue: &mut Dialogue, notebook: &mut Notebook) -> Told<()> {
    let (mut files, mut jobs) = (Vec::new(), Vec::new());
    loop {
        let answer = dialogue.ask("File of a recording (none ends the list):", Some("none")).await?;
        if answer == "none" {
            if files.is_empty() {
                return Err(super::dialogue::Leave::Back);
            }
            break;
        }
        let file = PathBuf::from(&answer);
        match take(&file, notebook.machine()) {
            Ok(take) => {
                let (from, until) = (rfc3339(take.from()), rfc3339(take.until()));
                dialogue.say(&format!("{} from {from} to {until}", counted(take.samples.len(), "reading")));
                files.push(std::fs::canonicalize(&file).unwrap_or(file));
            }
            Err(error) => dialogue.say(&format!("({error:#})")),
        }
    }
    loop {
        let answer = dialogue
            .ask(
                "When was it working? Give START/END as in ISO 8601 (none: Idlegate looks for jobs)",
                Some("none"),
            )
            .await?;
        if answer == "none" {
            break;
        }
        match answer.parse::<Interval>() {
            Ok(_) => jobs.push(answer),
            Err(error) => dialogue.say(&format!("({error})")),
        }
    }
    let notes = &mut notebook.notes;
    (notes.recordings, notes.jobs, notes.quiet, notes.limits) = (files, jobs, Vec::new(), None);
    Ok(())
}

/// The signal as this machine's recordings name it, or the only one in watts.
fn take(file: &Path, machine: &str) -> anyhow::Result<Take> {
    let named = Take::read(file, Some(&format!("{machine}/power")));
    Ok(named.or_else(|_| Take::read(file, None))?)
}

pub(super) async fn limits(dialogue: &mut Dialogue, rules: &Path, notebook: &mut Notebook) -> Told<()> {
    if notebook.notes.recordings.is_empty() {
        return Ok(());
    }
    let takes = notebook.notes.recordings.iter().map(|file| take(file, notebook.machine()));
    let takes = takes.collect::<anyhow::Result<Vec<_>>>()?;
    let read = |texts: &[String]| texts.iter().filter_map(|text| text.parse().ok()).collect();
    let marks = Marks { jobs: read(&notebook.notes.jobs), quiet: read(&notebook.notes.quiet) };
    let worth = JobWorth(idlegate_rules::job_worth(rules, Some(notebook.machine())));
    let limits = match calibrate::calibrate(&takes, &marks, worth) {
        Ok(proposal) => {
            let words = calibrate::words(&takes, &proposal);
            dialogue.say(&words);
            let drawn: Vec<_> = takes.iter().map(|take| calibrate::picture(take, &proposal)).collect();
            pictures::show(&drawn);
            let svg = notebook.path("svg");
            pictures::draw(&svg, &drawn)?;
            dialogue.say(&format!("The picture is also in {}.", svg.display()));
            let proposed = proposed(&proposal.settings, words, notebook);
            if dialogue.yes("Use these?", true).await? {
                proposed
            } else {
                typed(dialogue, notebook, Some(proposed)).await?
            }
        }
        Err(refusal) => {
            dialogue.say(&format!("There is no proposal: {refusal}."));
            let drawn = crate::cli::calibrate::undecided(&takes, &marks, &refusal);
            pictures::show(&drawn);
            let svg = notebook.path("svg");
            pictures::draw(&svg, &drawn)?;
            dialogue.say(&format!("The picture is also in {}.", svg.display()));
            dialogue.say("Type `back` to measure again. Or give the levels yourself; if in doubt, too low is the safe side.");
            typed(dialogue, notebook, None).await?
        }
    };
    notebook.notes.limits = Some(limits);
    Ok(())
}

fn proposed(settings: &Settings, evidence: String, notebook: &Notebook) -> known::Limits {
    known::Limits {
        busy_watts: settings.busy_watts,
        quiet_watts: settings.quiet_watts,
        dwell: outlasting(notebook, settings.dwell_text()),
        gap_max: settings.gap_max.map(|gap| idlegate_detector::Span::from_millis(gap.millis()).to_string()),
        idle_watts: Some(settings.idle_watts),
        evidence,
    }
}

/// One silence of a slow meter must not be the whole of it.
fn outlasting(notebook: &Notebook, dwell: String) -> String {
    let stale_after = notebook.notes.meter.as_ref().and_then(|meter| meter.stale_after_secs).map(Span::secs);
    let millis = dwell.parse::<idlegate_detector::Span>().map_or(0, |span| span.as_millis());
    match stale_after {
        Some(stale_after) if stale_after.millis() > millis => stale_after.to_string(),
        Some(_) | None => dwell,
    }
}

async fn typed(
    dialogue: &mut Dialogue,
    notebook: &Notebook,
    proposed: Option<known::Limits>,
) -> Told<known::Limits> {
    let text = |number: f64| number.to_string();
    let busy = proposed.as_ref().map(|it| text(it.busy_watts));
    let busy_watts = watts(dialogue, "Busy above how many watts?", busy.as_deref()).await?;
    let idle = proposed.as_ref().map_or_else(|| text(busy_watts), |it| text(it.quiet_watts.min(busy_watts)));
    let quiet_watts = loop {
        let watts = watts(dialogue, "Idle below how many watts?", Some(&idle)).await?;
        if watts <= busy_watts {
            break watts;
        }
        dialogue.say("(This cannot be more than the busy level.)");
    };
    let dwell = loop {
        let before =
            proposed.as_ref().map_or_else(|| outlasting(notebook, "3 min".into()), |it| it.dwell.clone());
        let answer = dialogue
            .ask("How long must it stay that low? Longer than any pause inside a job:", Some(&before))
            .await?;
        match answer.parse::<idlegate_detector::Span>() {
            Ok(_) => break answer,
            Err(error) => dialogue.say(&format!("({error})")),
        }
    };
    let evidence = match &proposed {
        Some(proposed) => format!("Chosen by hand. The proposal was:\n{}", proposed.evidence),
        None => "Chosen by hand, not measured.".to_owned(),
    };
    let (gap_max, idle_watts) = proposed.map_or((None, None), |it| (it.gap_max, it.idle_watts));
    Ok(known::Limits { busy_watts, quiet_watts, dwell, gap_max, idle_watts, evidence })
}

async fn watts(dialogue: &mut Dialogue, question: &str, proposed: Option<&str>) -> Told<f64> {
    loop {
        match dialogue.ask(question, proposed).await?.trim_end_matches(['W', ' ']).parse::<f64>() {
            Ok(watts) if watts.is_finite() && watts > 0.0 => return Ok(watts),
            Ok(_) | Err(_) => {
                dialogue.say("(Give a number of watts above zero, with a point and not a comma: 40 or 40.5.)")
            }
        }
    }
}

fn span(from: WallTime, until: WallTime) -> Span {
    Span(u64::try_from(until.0 - from.0).unwrap_or(0))
}

fn interval(from: WallTime, until: WallTime) -> String {
    format!("{}/{}", rfc3339(from), rfc3339(until))
}
