//! An episode as text.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::episode::Episode;
use super::rules::rule;
use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::{Found, RecordKind};
use idlegate_messages::{Decision, Finding, JobRecord, Order, OutletState, Quantity, Reading, State, Told};
use idlegate_plan::text::tame;

const LINE_CHARS: usize = 600;

/// A paragraph or two; times are of this zone.
pub fn words(episode: &Episode, zone: &TimeZone) -> String {
    let (found, said) = (&episode.decision, episode.decision.read::<Decision>());
    let mut text = String::new();
    let mut line = |words: String| {
        // Whatever a sender put into it stays on its line. A text never fails to take more.
        let indent = words.len() - words.trim_start().len();
        let _ = writeln!(text, "{}{}", &words[..indent], tame(&words, LINE_CHARS));
    };
    let machine = found.machine.as_deref().unwrap_or("no machine");
    line(format!("{}, {machine}", local(found.at.wall, zone)));
    if !found.intact {
        line(
            "  This record does not match its checksum: it was changed or damaged. Do not rely on it."
                .to_owned(),
        );
    }
    line(format!("  {}.", asked(&said)));
    if let Some(who) = &said.who {
        line(format!("  It was sent in the name of {who}, which nobody has checked."));
    }
    if let Some(fault) = &said.fault {
        line(format!("  It could not be read: {fault}."));
        if let Some(count) = said.count.filter(|count| *count > 1) {
            line(format!(
                "  The same input sent {count} such messages within a minute; this was the last of them."
            ));
        }
    }
    if let Some(state) = &said.state {
        let outlet = said.outlet.as_deref().unwrap_or("not known to be on or off");
        line(format!("  The outlet was {outlet}, and the machine {}.", counted(state)));
    }
    for detector in &said.detectors {
        line(format!("    {}", detector_said(detector)));
        for reading in &detector.readings {
            line(format!("      {}", was_read(reading)));
        }
    }
    let (decision, reason) = (word(&said.decision), word(&said.reason));
    line(
        format!("  Decision: {decision} ({reason}). {}", rule(reason).unwrap_or_default())
            .trim_end()
            .to_owned(),
    );
    if !said.sentence.is_empty() {
        line(format!("  \u{201c}{}\u{201d}", said.sentence));
    }
    if !episode.followed.is_empty() {
        line("  Then:".to_owned());
    }
    for record in &episode.followed {
        let later = after(record.at.moment.since(found.at.moment));
        line(format!("    {later} later: {}", followed(record)));
    }
    if !said.rules.is_empty() {
        line(format!("  Decided under the rules {}.", said.rules.get(..12).unwrap_or(&said.rules)));
    }
    text
}

pub(super) fn local(at: WallTime, zone: &TimeZone) -> String {
    Timestamp::from_millisecond(at.0).map_or_else(
        |_| at.0.to_string(),
        |instant| zone.to_datetime(instant).strftime("%A %Y-%m-%d %H:%M:%S").to_string(),
    )
}

/// To the tenth of a second, while that matters.
fn after(span: Span) -> String {
    if span < Span::secs(60) { format!("{:.1} s", span.as_secs_f64()) } else { span.to_string() }
}

fn asked(said: &Decision) -> String {
    let input = word(&said.input);
    if let (Some(request), Some(group)) = (said.request.as_deref(), said.group.as_deref()) {
        return format!("{input} asked for {request}, of the whole group {}", word(group));
    }
    match (said.request.as_deref(), said.gesture.as_deref()) {
        (Some(request), Some(gesture)) if gesture != request => {
            format!("{input} asked for {request} ({gesture})")
        }
        (Some(request), _) => format!("{input} asked for {request}"),
        (None, _) => format!("A message came from {input}"),
    }
}

fn counted(state: &str) -> String {
    if state == "unknown" { "was not known to be idle".to_owned() } else { format!("counted as {state}") }
}

fn detector_said(finding: &Finding) -> String {
    let role = match &*finding.role {
        "advise" => " (only informs)",
        "permit-on" => " (for switching on)",
        "warn" => " (only warns)",
        _ => "",
    };
    let Finding { detector, state, reason, .. } = finding;
    format!("{}{role} said {}: {}", word(detector), word(state), word(reason))
}

fn was_read(reading: &Reading) -> String {
    let value = match &reading.value {
        Some(Quantity::Text(text)) => format!("{text:?}"),
        Some(Quantity::Number(number)) => number.to_string(),
        None => "?".to_owned(),
    };
    let Reading { age_s, signal, unit, unchanged, .. } = reading;
    let since = if *unchanged { ", unchanged since" } else { ", read" };
    format!("{} {value} {unit}{since} {age_s:.1} s earlier", word(signal)).replace(" ,", ",")
}

fn followed(record: &Found) -> String {
    match record.kind() {
        Some(RecordKind::Decision) => {
            let said: Decision = record.read();
            format!("{}: {} ({})", asked(&said), word(&said.decision), word(&said.reason))
        }
        Some(RecordKind::Order) => {
            let order: Order = record.read();
            let again = if order.resend > 0 { " again" } else { "" };
            let cause = match order.cause.as_deref() {
                Some("plain") | None => String::new(),
                Some(cause) => format!(" ({cause})"),
            };
            let switch = word(&order.switch);
            match order.not_sent {
                Some(why) => format!("the order {switch}{cause} was not sent{again}: {why}"),
                None => format!("the order {switch}{cause} was sent{again}"),
            }
        }
        Some(RecordKind::Outlet) => {
            format!("the outlet reported {}", word(&record.read::<OutletState>().state))
        }
        Some(RecordKind::State) => {
            let State { reasons, state } = record.read();
            format!("the machine {}: {}", counted(word(&state)), reasons.join("; "))
        }
        Some(RecordKind::Job) => {
            let job: JobRecord = record.read();
            let by = job.by.map_or_else(String::new, |by| format!(" by {by}"));
            let lasted = Span::from(std::time::Duration::try_from_secs_f64(job.lasted_s).unwrap_or_default());
            format!("its job of {lasted} was over: {}{by}", word(&job.how))
        }
        Some(_) | None => {
            let told: Told = record.read();
            let said = if told.sentence.is_empty() { word(&told.kind) } else { &told.sentence };
            format!("{}: {said}", record.kind)
        }
    }
}

/// What an old or damaged record does not say.
fn word(said: &str) -> &str {
    if said.is_empty() { "?" } else { said }
}
