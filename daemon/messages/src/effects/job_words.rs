//! The words for a job that is over: how it ended, what it drew, and what is to become of its machine.

use std::sync::Arc;

use super::sentences::{joined, some_of};
use idlegate_engine::{Announced, JobEnd, JobTold, Next, PowerBack};
use idlegate_guard::Announcement;

const JOULES_PER_KWH: f64 = 3_600_000.0;

/// What a sentence about the end of a job can fill in besides.
pub(super) fn piece(announced: &Announced, placeholder: &str) -> Option<String> {
    if let Announcement::LeftOn { idle_for } = announced.what {
        return (placeholder == "idle_for").then(|| idle_for.to_string());
    }
    if let Some(power) = &announced.power {
        return power_back(power, placeholder);
    }
    let job = announced.job.as_deref()?;
    match placeholder {
        "lasted" => Some(job.over.lasted.to_string()),
        "drawn" => Some(drawn(job)),
        "how" => Some(how(job)),
        "next" => Some(next(announced, job.next)),
        "from" => job.between.as_ref().map(|(from, _)| from.clone()),
        "until" => job.between.as_ref().map(|(_, until)| until.clone()),
        _ => None,
    }
}

fn power_back(power: &PowerBack, placeholder: &str) -> Option<String> {
    let named = |titles: &[Arc<str>]| some_of(&titles.iter().map(AsRef::as_ref).collect::<Vec<&str>>());
    match placeholder {
        "from" => Some(power.from.clone()),
        "until" => Some(power.until.clone()),
        "jobs" => Some(match power.jobs.as_slice() {
            [] => String::new(),
            jobs => format!(" In the middle of a job: {}.", named(jobs)),
        }),
        "on" => Some(match power.on.as_slice() {
            [] => String::new(),
            [one] if power.ours_too => format!(" {one} is on. Go and look at it."),
            on if power.ours_too => format!(" {} are on. Go and look at them.", named(on)),
            [one] => format!(" {one} came back on by itself. Go and look at it."),
            on => format!(" {} came back on by themselves. Go and look at them.", named(on)),
        }),
        _ => None,
    }
}

/// " (0.74 kWh, 0.22 EUR)"; nothing for a machine without a meter.
fn drawn(job: &JobTold) -> String {
    let Some(joules) = job.over.joules else { return String::new() };
    let energy = format!("{:.2} kWh", joules / JOULES_PER_KWH);
    match (job.over.cost, &job.currency) {
        (Some(cost), Some(currency)) => format!(" ({energy}, {cost:.2} {currency})"),
        (_, _) => format!(" ({energy})"),
    }
}

fn how(job: &JobTold) -> String {
    match job.over.how {
        JobEnd::CutElsewhere => match &job.between {
            None => "it went off, but not through Idlegate".to_owned(),
            Some((quiet_since, _)) => format!(
                "it went off, but not through Idlegate; it had been quiet since {quiet_since} and may have been done"
            ),
        },
        JobEnd::PowerLost => "its power was lost".to_owned(),
        JobEnd::CountedAsIdle => {
            "it had counted as idle, and went back to work at the very moment of its off".to_owned()
        }
        JobEnd::Finished | JobEnd::Forced | JobEnd::Emergency | JobEnd::Unseen => {
            job.over.how.word().to_owned()
        }
    }
}

/// With a blank before it.
fn next(announced: &Announced, next: Next) -> String {
    let why = joined(&announced.reasons);
    let when = announced.clears_in.map_or_else(String::new, |clears_in| format!(", {clears_in} at least"));
    match (next, announced.shadow) {
        (Next::IsOff, _) => String::new(),
        (Next::MayBeOff, false) => " It may be switched off now.".to_owned(),
        (Next::MayBeOff, true) => " It could be switched off now.".to_owned(),
        // It does so whatever anybody decides.
        (Next::Cools, _) => format!(" Cooling: {why}{when}."),
        (Next::StaysOn, false) => format!(" It stays on for now: {why}{when}."),
        (Next::StaysOn, true) => format!(" It would stay on for now: {why}{when}."),
    }
}
