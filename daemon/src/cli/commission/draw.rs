//! The machine's draw: measured now, or from recordings that are there; and the levels it shows.

use std::fs::OpenOptions;
use std::path::{Path, PathBuf};

use anyhow::Context as _;

use super::talk::{Came, Talk, Told};
use crate::calibrate::{self, Interval, Marks, Settings, Take};
use crate::cli::{pictures, progress};
use crate::commission::{Notebook, known};
use crate::event::Value;
use crate::intake::decode_number;
use crate::recording::Writer;
use crate::text::{counted, rfc3339};
use crate::time::{Clock, Span, WallTime};

/// Less tells nothing about what idle is.
const IDLE_MIN: Span = Span::secs(150);

pub(super) async fn measure(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    let ways = [
        "measure it now: a few minutes idle, then a job from beginning to end",
        "use recordings you already have (CSV, or SenML as `idlegate record` writes it)",
        "type the levels, if you know them",
    ];
    match talk.choose("How?", &ways.map(str::to_owned)).await? {
        Ok(0) => now(talk, notebook).await,
        Ok(1) => recordings(talk, notebook).await,
        Ok(_) => {
            let limits = typed(talk, None).await?;
            (notebook.notes.recordings, notebook.notes.limits) = (Vec::new(), Some(limits));
            Ok(())
        }
        Err(_) => Box::pin(measure(talk, notebook)).await,
    }
}

async fn now(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    let Some(meter) = notebook.notes.meter.clone() else { return Err(super::talk::Leave::Back) };
    let file = notebook.path("jsonl");
    notebook.save()?;
    let mut tape = Tape::open(&file, &format!("{}/power", notebook.machine()), meter)?;
    talk.say("First idle: leave the machine on, as it is between two jobs.");
    let begin = Clock.now().wall;
    loop {
        tape.roll(talk, "Leave it like that for three minutes or longer.").await?;
        let lasted = span(begin, Clock.now().wall);
        if lasted >= IDLE_MIN {
            break;
        }
        talk.say(&format!("(That was {lasted}. Less than {IDLE_MIN} is too short to go by.)"));
    }
    let quiet = interval(begin, Clock.now().wall);
    tape.roll(talk, "Now start a typical job; warming up is part of it. When it is running, press Enter.")
        .await?;
    let started = Clock.now().wall;
    tape.roll(
        talk,
        "Let the job run to its end; a longer job shows more pauses. When it is done, press Enter.",
    )
    .await?;
    let job = interval(started, Clock.now().wall);
    tape.roll(talk, "Wait until everything that keeps running afterwards, such as a fan, has stopped.")
        .await?;
    talk.say(&format!("{} in {}", counted(tape.count, "reading"), file.display()));
    if tape.count == 0 {
        talk.say("No readings came. Is this the right topic?");
        return Err(super::talk::Leave::Back);
    }
    let notes = &mut notebook.notes;
    if !notes.recordings.contains(&file) {
        notes.recordings.push(file);
    }
    notes.jobs.push(job);
    notes.quiet.push(quiet);
    Ok(())
}

/// Readings of the meter, into a recording.
struct Tape {
    writer: Writer<std::fs::File>,
    name: String,
    meter: known::Meter,
    count: u64,
}

impl Tape {
    fn open(file: &Path, name: &str, meter: known::Meter) -> anyhow::Result<Tape> {
        let out = OpenOptions::new().create(true).append(true).open(file);
        let out = out.with_context(|| format!("cannot write {}", file.display()))?;
        Ok(Tape { writer: Writer::new(out), name: name.to_owned(), meter, count: 0 })
    }

    /// Records until Enter.
    async fn roll(&mut self, talk: &mut Talk, words: &str) -> Told<()> {
        talk.say(&format!("{words} Press Enter to go on."));
        let bar = progress::spinner();
        let (meter, count) = (self.meter.clone(), self.count);
        let mut failed = None;
        let came = talk
            .wait(None, |_, message| {
                if message.retained || *message.topic != *meter.place.topic {
                    return None;
                }
                let watts = decode_number(&meter.place.path(), &message.payload).ok()? * meter.scale;
                let written =
                    self.writer.write(&self.name, Some("W"), Clock.now().wall, &Value::Number(watts));
                self.count += 1;
                bar.set_message(format!("{watts:.1} W, {}", counted(self.count - count, "reading")));
                bar.tick();
                failed = written.err();
                failed.is_some().then_some(())
            })
            .await;
        bar.finish_and_clear();
        match (came?, failed) {
            (_, Some(error)) => Err(error.into()),
            (Came::Line(_) | Came::That(()) | Came::TimeOver, None) => Ok(()),
        }
    }
}

async fn recordings(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    let (mut files, mut jobs) = (Vec::new(), Vec::new());
    loop {
        let answer = talk.ask("File of a recording (none ends the list):", Some("none")).await?;
        if answer == "none" {
            if files.is_empty() {
                return Err(super::talk::Leave::Back);
            }
            break;
        }
        let file = PathBuf::from(&answer);
        match take(&file, notebook.machine()) {
            Ok(take) => {
                let (from, until) = (rfc3339(take.from()), rfc3339(take.until()));
                talk.say(&format!("{} from {from} to {until}", counted(take.samples.len(), "reading")));
                files.push(std::fs::canonicalize(&file).unwrap_or(file));
            }
            Err(error) => talk.say(&format!("({error:#})")),
        }
    }
    loop {
        let answer = talk
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
            Err(error) => talk.say(&format!("({error})")),
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

pub(super) async fn limits(talk: &mut Talk, notebook: &mut Notebook) -> Told<()> {
    if notebook.notes.recordings.is_empty() {
        return Ok(());
    }
    let takes = notebook.notes.recordings.iter().map(|file| take(file, notebook.machine()));
    let takes = takes.collect::<anyhow::Result<Vec<_>>>()?;
    let read = |texts: &[String]| texts.iter().filter_map(|text| text.parse().ok()).collect();
    let marks = Marks { jobs: read(&notebook.notes.jobs), quiet: read(&notebook.notes.quiet) };
    let limits = match calibrate::calibrate(&takes, &marks) {
        Ok(proposal) => {
            let words = calibrate::words(&takes, &proposal);
            talk.say(&words);
            let drawn: Vec<_> = takes.iter().map(|take| calibrate::picture(take, &proposal)).collect();
            pictures::show(&drawn);
            let svg = notebook.path("svg");
            pictures::draw(&svg, &drawn)?;
            talk.say(&format!("The picture is also in {}.", svg.display()));
            let proposed = proposed(&proposal.settings, words);
            if talk.yes("Use these?", true).await? { proposed } else { typed(talk, Some(proposed)).await? }
        }
        Err(refusal) => {
            talk.say(&format!("There is no proposal: {refusal}."));
            talk.say("Type `back` to measure again. Or give the levels yourself; if in doubt, too low is the safe side.");
            typed(talk, None).await?
        }
    };
    notebook.notes.limits = Some(limits);
    Ok(())
}

fn proposed(settings: &Settings, evidence: String) -> known::Limits {
    known::Limits {
        busy_watts: settings.busy_watts,
        quiet_watts: settings.quiet_watts,
        dwell: settings.dwell_text(),
        gap_max: settings.gap_max.map(|gap| idlegate_detector::Span::from_millis(gap.millis()).to_string()),
        idle_watts: Some(settings.idle_watts),
        evidence,
    }
}

async fn typed(talk: &mut Talk, proposed: Option<known::Limits>) -> Told<known::Limits> {
    let text = |number: f64| number.to_string();
    let busy = proposed.as_ref().map(|it| text(it.busy_watts));
    let busy_watts = watts(talk, "Busy above how many watts?", busy.as_deref()).await?;
    let idle = proposed.as_ref().map_or_else(|| text(busy_watts), |it| text(it.quiet_watts.min(busy_watts)));
    let quiet_watts = loop {
        let watts = watts(talk, "Idle below how many watts?", Some(&idle)).await?;
        if watts <= busy_watts {
            break watts;
        }
        talk.say("(This cannot be more than the busy level.)");
    };
    let dwell = loop {
        let before = proposed.as_ref().map_or("3 min", |it| &it.dwell);
        let answer = talk
            .ask("How long must it stay that low? Longer than any pause inside a job:", Some(before))
            .await?;
        match answer.parse::<idlegate_detector::Span>() {
            Ok(_) => break answer,
            Err(error) => talk.say(&format!("({error})")),
        }
    };
    let evidence = match &proposed {
        Some(proposed) => format!("Chosen by hand. The proposal was:\n{}", proposed.evidence),
        None => "Chosen by hand, not measured.".to_owned(),
    };
    let (gap_max, idle_watts) = proposed.map_or((None, None), |it| (it.gap_max, it.idle_watts));
    Ok(known::Limits { busy_watts, quiet_watts, dwell, gap_max, idle_watts, evidence })
}

async fn watts(talk: &mut Talk, question: &str, proposed: Option<&str>) -> Told<f64> {
    loop {
        match talk.ask(question, proposed).await?.trim_end_matches(['W', ' ']).parse::<f64>() {
            Ok(watts) if watts.is_finite() && watts > 0.0 => return Ok(watts),
            Ok(_) | Err(_) => talk.say("(Give a number of watts above zero, such as 40.)"),
        }
    }
}

fn span(from: WallTime, until: WallTime) -> Span {
    Span(u64::try_from(until.0 - from.0).unwrap_or(0))
}

fn interval(from: WallTime, until: WallTime) -> String {
    format!("{}/{}", rfc3339(from), rfc3339(until))
}
