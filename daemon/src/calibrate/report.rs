//! A proposal as people read it, and as a picture.

use std::fmt::Write as _;

use idlegate_detector::quantity;
use jiff::tz::TimeZone;

use super::dwell::Basis;
use super::proposal::{Evidence, Proposal, Sureness};
use super::rehearsal::verdicts;
use super::take::Take;
use crate::event::Verdict;
use crate::picture::{Level, Picture, Shade, Stretch, Strip};
use crate::text::counted;
use crate::time::{Span, WallTime};

/// The proposal in a dozen lines.
pub fn words(takes: &[Take], proposal: &Proposal) -> String {
    let Proposal { settings, evidence, .. } = proposal;
    let mut text = String::new();
    let mut line = |words: String| {
        // A text never fails to take more.
        let _ = writeln!(text, "{words}");
    };
    for take in takes {
        line(format!("{}: {}; {}", take.name, counted(take.samples.len(), "reading"), take.oddities));
    }
    let jobs = counted(proposal.jobs.len(), "job");
    let found = if evidence.jobs_found { "found" } else { "marked" };
    line(format!("{jobs} {found}"));
    line(String::new());
    line(format!("busy_watts = {}", settings.busy_watts));
    line(format!("quiet_watts = {}", settings.quiet_watts));
    line(format!("dwell   = \"{}\"", settings.dwell_text()));
    if let Some(gap) = settings.gap_max {
        line(format!("gap_max    = \"{gap}\""));
    }
    line(String::new());
    line(format!(
        "When idle it draws {}, rarely more than {}; when working usually {}.",
        quantity(evidence.idle_watts_usual, "W"),
        quantity(evidence.idle_watts_high, "W"),
        quantity(evidence.busy_watts_usual, "W"),
    ));
    line(pauses(evidence, settings.dwell));
    line(rehearsed(evidence));
    line(sureness(proposal));
    text
}

fn pauses(evidence: &Evidence, dwell: Span) -> String {
    let seen = match evidence.pauses {
        0 => "No pause of 5 s or more was seen inside a job".to_owned(),
        1 => format!("One pause was seen inside a job, {} long", evidence.pause_longest),
        count => format!("{count} pauses were seen inside jobs, the longest {} long", evidence.pause_longest),
    };
    let because = match evidence.basis {
        Basis::Pauses { factor } => format!("the dwell is {factor} times the longest, {dwell}"),
        Basis::Floor => format!("the dwell is {dwell} all the same"),
        Basis::SilentFloor => format!(
            "but this machine draws full power or none, so a pause looks like the end, and few jobs were seen; \
             so the dwell is {dwell}"
        ),
    };
    match evidence.outlast_chance {
        Some(chance) if chance >= 0.01 => format!(
            "{seen}; {because}. If pauses vary the way waiting times do, about {} in 100 would last longer.",
            (chance * 100.0).round()
        ),
        Some(_) | None => format!("{seen}; {because}."),
    }
}

fn rehearsed(evidence: &Evidence) -> String {
    let mut released: Vec<Span> = evidence.released.iter().flatten().copied().collect();
    released.sort_unstable();
    let jobs = evidence.released.len();
    let hit = match evidence.jobs_hit {
        0 => "power would not have been cut in any job".to_owned(),
        hit => format!("power could have been cut in {hit} of {}", counted(jobs, "job")),
    };
    let after = match released.get(released.len() / 2) {
        Some(median) => format!("after a job, an off was let through after {median} (median)"),
        None => "no off was let through between two jobs".to_owned(),
    };
    let available = (evidence.available * 100.0).floor();
    format!("Tried on this recording: {hit}; {after}; off was possible in {available} % of the idle time.")
}

fn sureness(proposal: &Proposal) -> String {
    match proposal.sureness {
        Sureness::Good => "Confidence: good.".to_owned(),
        Sureness::Fair if proposal.evidence.jobs_found => {
            "Confidence: fair. Nobody marked the jobs: check that the picture shows them where they were.".to_owned()
        }
        Sureness::Fair => "Confidence: fair. With more jobs it would be better.".to_owned(),
        Sureness::Thin if proposal.evidence.jobs_hit > 0 => {
            "Confidence: low. No level keeps the power on through all these jobs: check in the picture that they are \
             marked right, or use the machine's status as well."
                .to_owned()
        }
        Sureness::Thin => {
            "Confidence: low. There are few jobs, or no pauses in them: record some more days, and calibrate with \
             all of them."
                .to_owned()
        }
    }
}

/// The recording with the levels across it, the jobs and what would have been said of it.
pub fn picture(take: &Take, proposal: &Proposal) -> Picture {
    let Proposal { settings, evidence, jobs, .. } = proposal;
    let gap_max = settings.gap_max.unwrap_or(Span::secs(60));
    let inside = |at: WallTime| at >= take.from() && at <= take.until();
    let here = jobs.iter().filter(|job| inside(job.from) || inside(job.until));
    let jobs = here.map(|job| stretch(job.from, job.until, Shade::Job)).collect();
    let verdicts = verdicts(take, settings.limits()).into_iter();
    let verdicts = verdicts.map(|(it, verdict)| stretch(it.from, it.until.min(take.until()), shade(verdict)));
    Picture {
        title: take.name.clone(),
        caption: format!(
            "idle below {} for {}; longest pause in a job: {}",
            quantity(settings.quiet_watts, "W"),
            settings.dwell,
            if evidence.pauses == 0 { "none".to_owned() } else { evidence.pause_longest.to_string() },
        ),
        from: take.from(),
        until: take.until(),
        zone: TimeZone::UTC,
        quantity: "draw, W".to_owned(),
        curve: take.samples.iter().map(|sample| (sample.at, sample.watts)).collect(),
        gap_millis: i64::try_from(gap_max.millis()).unwrap_or(i64::MAX),
        levels: vec![Level {
            value: settings.busy_watts,
            label: format!("busy above {}", quantity(settings.busy_watts, "W")),
        }],
        strips: vec![
            Strip { label: "jobs".to_owned(), stretches: jobs },
            Strip { label: "verdict".to_owned(), stretches: verdicts.collect() },
        ],
    }
}

fn stretch(from: WallTime, until: WallTime, shade: Shade) -> Stretch {
    let length = Span(u64::try_from(until.0 - from.0).unwrap_or(0));
    Stretch { from, until, shade, note: format!("{length} from {}", crate::text::rfc3339(from)) }
}

fn shade(verdict: Verdict) -> Shade {
    match verdict {
        Verdict::Busy => Shade::Busy,
        Verdict::Idle => Shade::Idle,
        Verdict::Unknown => Shade::Unknown,
    }
}
