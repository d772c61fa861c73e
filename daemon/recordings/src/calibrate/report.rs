//! A proposal as people read it, and as a picture.

use std::fmt::Write as _;

use idlegate_detector::quantity;
use jiff::tz::TimeZone;

use super::dwell::{FLOOR, HORIZON};
use super::marks::Interval;
use super::proposal::{Evidence, GAP_MAX_DEFAULT, Proposal, Sureness};
use super::rehearsal::verdicts;
use super::take::Take;
use idlegate_guard::time::{Span, WallTime};
use idlegate_pictures::picture::{Level, Picture, Shade, Stretch, Strip};
use idlegate_plan::event::Verdict;
use idlegate_plan::text::counted;

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
    line(silences(evidence, settings.dwell));
    let more = [stays_on(evidence), sides(proposal), unmarked(evidence)];
    more.into_iter().flatten().for_each(&mut line);
    line(rehearsed(evidence));
    line(sureness(proposal));
    longer_recording(evidence).into_iter().for_each(&mut line);
    text
}

/// What the dwell rests on: "quiet for 4 min; in all 31 silences of this length it was finished".
fn silences(evidence: &Evidence, dwell: Span) -> String {
    let silences = &evidence.silences;
    let longest = match silences.longest() {
        None => "It has never paused inside a job".to_owned(),
        Some(longest) => format!("Its longest pause inside a job was {longest}"),
    };
    let reached = silences.reached(dwell);
    let went_on = reached - silences.finished;
    let finished = match (reached, went_on) {
        (0, _) => format!("it has not been quiet for {dwell} after a job yet"),
        (1, 0) => format!("quiet for {dwell}, and the one time that it was quiet so long it was finished"),
        (_, 0) => format!("quiet for {dwell}: in all {reached} silences of this length it was finished"),
        (_, 1) => format!("quiet for {dwell}: in {reached} silences of this length it went on once"),
        (_, _) => {
            format!("quiet for {dwell}: in {reached} silences of this length it went on {went_on} times")
        }
    };
    let chance = (1.0 / evidence.goes_on_chance.max(1e-6)).round();
    let worth = evidence.worth.0;
    let more = if dwell > FLOOR {
        format!(
            "With a job worth {worth} of waiting (job_worth), a longer dwell would cost more waiting than it saves; a shorter one, more jobs."
        )
    } else {
        "This is the shortest dwell that is ever proposed.".to_owned()
    };
    format!("{longest}; {finished}. It may still go on about once in {chance} times. {more}")
}

fn stays_on(evidence: &Evidence) -> Option<String> {
    let watts = quantity(evidence.stays_on_watts?, "W");
    Some(format!(
        "After its jobs it stays on, at {watts} or more, as it would in a pause: power alone cannot tell its last phase from \
         its end. So the dwell is no shorter than a quarter of an hour. Use its status if it has one."
    ))
}

/// Something runs on after jobs: both limits, and what each costs.
fn sides(proposal: &Proposal) -> Option<String> {
    let (settings, evidence) = (&proposal.settings, &proposal.evidence);
    let other = evidence.other.as_ref()?;
    let own = (settings.quiet_watts, settings.dwell, evidence.release_mean);
    let theirs = (other.quiet_watts, other.dwell, other.release_mean);
    let (low, high) = if own.0 < theirs.0 { (own, theirs) } else { (theirs, own) };
    let watts = |watts: f64| quantity(watts, "W");
    let spoken = |span: Span| Span::secs(span.millis() / 1_000);
    Some(format!(
        "Something runs on after its jobs, such as a fan or a pump. Take the limit that suits you:\n  {}: what runs on counts as \
         busy; off is possible {} after a job, on average, with a dwell of {}{}\n  {}: it does not; off is possible {} after \
         a job, with a dwell of {}{}",
        watts(low.0),
        spoken(low.2),
        low.1,
        if own.0 <= theirs.0 { " (proposed)" } else { "" },
        watts(high.0),
        spoken(high.2),
        high.1,
        if own.0 > theirs.0 { " (proposed)" } else { "" },
    ))
}

/// A pause and the time between two short jobs look alike: so ask.
fn unmarked(evidence: &Evidence) -> Option<String> {
    let (ends, dwell) = evidence.dwell_if_ends?;
    let silences = match ends {
        1 => format!(
            "Once it was quiet for {FLOOR} to {HORIZON} and then went on. Was that a pause or the end of a job? If it was the end"
        ),
        _ => format!(
            "{ends} times it was quiet for {FLOOR} to {HORIZON} and then went on. Were those pauses or ends of jobs? If they were ends"
        ),
    };
    Some(format!("{silences}, mark the jobs with --job: the dwell would then be {dwell}."))
}

fn rehearsed(evidence: &Evidence) -> String {
    let mut released: Vec<Span> = evidence.released.iter().flatten().copied().collect();
    released.sort_unstable();
    let jobs = evidence.released.len();
    let hit = match jobs {
        1 => "power would not have been cut in its job".to_owned(),
        jobs => format!("power would not have been cut in any of {}", counted(jobs, "job")),
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
        Sureness::Fair => "Confidence: fair.".to_owned(),
        Sureness::Thin if proposal.evidence.jobs_found => {
            "Confidence: low. Nobody marked the jobs: check that the picture shows them where they were."
                .to_owned()
        }
        Sureness::Thin => {
            "Confidence: low. There is only one job: record some more days, and calibrate with all of them."
                .to_owned()
        }
    }
}

/// What a longer recording would help.
fn longer_recording(evidence: &Evidence) -> Option<String> {
    let (jobs, dwell) = evidence.dwell_if_more?;
    let pause = if evidence.silences.longest().is_some() { "pauses for longer" } else { "pauses" };
    Some(match jobs {
        1 => format!("Record and mark one job more: if it never {pause}, a dwell of {dwell} will do."),
        _ => {
            format!("Record and mark {jobs} jobs more: if none of them {pause}, a dwell of {dwell} will do.")
        }
    })
}

/// The recording with the levels across it, the jobs and what would have been said of it.
pub fn picture(take: &Take, proposal: &Proposal) -> Picture {
    let Proposal { settings, evidence, jobs, .. } = proposal;
    let verdicts = verdicts(take, settings.limits()).into_iter();
    let verdicts = verdicts.map(|(it, verdict)| stretch(it.from, it.until.min(take.until()), shade(verdict)));
    let mut picture = bare_picture(take, jobs);
    picture.caption = format!(
        "idle below {} for {}; longest pause in a job: {}",
        quantity(settings.quiet_watts, "W"),
        settings.dwell,
        evidence.silences.longest().map_or("none".to_owned(), |longest| longest.to_string()),
    );
    let gap_max = settings.gap_max.unwrap_or(GAP_MAX_DEFAULT);
    picture.gap_millis = i64::try_from(gap_max.millis()).unwrap_or(i64::MAX);
    picture.levels.push(Level {
        value: settings.busy_watts,
        label: format!("busy above {}", quantity(settings.busy_watts, "W")),
    });
    picture.strips.push(Strip { label: "verdict".to_owned(), stretches: verdicts.collect() });
    picture
}

/// The recording and what was marked in it, where nothing is proposed.
pub fn bare_picture(take: &Take, jobs: &[Interval]) -> Picture {
    let inside = |at: WallTime| at >= take.from() && at <= take.until();
    let here = jobs.iter().filter(|job| inside(job.from) || inside(job.until));
    let stretches = here.map(|job| stretch(job.from, job.until, Shade::Job)).collect();
    let gap_max = GAP_MAX_DEFAULT.max(Span(take.interval_usual_max().millis().saturating_mul(2)));
    Picture {
        title: take.name.clone(),
        caption: "there is no proposal".to_owned(),
        from: take.from(),
        until: take.until(),
        zone: TimeZone::UTC,
        quantity: "draw, W".to_owned(),
        curve: take.samples.iter().map(|sample| (sample.at, sample.watts)).collect(),
        gap_millis: i64::try_from(gap_max.millis()).unwrap_or(i64::MAX),
        levels: Vec::new(),
        strips: vec![Strip { label: "jobs".to_owned(), stretches }],
    }
}

fn stretch(from: WallTime, until: WallTime, shade: Shade) -> Stretch {
    let length = Span(u64::try_from(until.0 - from.0).unwrap_or(0));
    Stretch { from, until, shade, note: format!("{length} from {}", idlegate_plan::text::rfc3339(from)) }
}

fn shade(verdict: Verdict) -> Shade {
    match verdict {
        Verdict::Busy => Shade::Busy,
        Verdict::Idle => Shade::Idle,
        Verdict::Unknown => Shade::Unknown,
    }
}
