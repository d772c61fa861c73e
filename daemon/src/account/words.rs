//! An episode as text.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::Value;

use super::episode::Episode;
use super::rules::rule;
use crate::journal::{Found, Kind};
use crate::text::tame;
use crate::time::{Span, WallTime};

const LINE_CHARS: usize = 600;

/// A paragraph or two; times are of this zone.
pub fn words(episode: &Episode, zone: &TimeZone) -> String {
    let (found, body) = (&episode.decision, episode.decision.body());
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
    line(format!("  {}.", asked(&body)));
    if let Some(fault) = body["fault"].as_str() {
        line(format!("  It could not be read: {fault}."));
    }
    if let Some(state) = body["state"].as_str() {
        let outlet = body["outlet"].as_str().unwrap_or("not known to be on or off");
        line(format!("  The outlet was {outlet}, and the machine {}.", counted(state)));
    }
    for detector in body["detectors"].as_array().into_iter().flatten() {
        line(format!("    {}", detector_said(detector)));
        for reading in detector["readings"].as_array().into_iter().flatten() {
            line(format!("      {}", read(reading)));
        }
    }
    let (decision, reason) = (word(&body["decision"]), word(&body["reason"]));
    line(
        format!("  Decision: {decision} ({reason}). {}", rule(reason).unwrap_or_default())
            .trim_end()
            .to_owned(),
    );
    if let Some(sentence) = body["sentence"].as_str() {
        line(format!("  \u{201c}{sentence}\u{201d}"));
    }
    if !episode.followed.is_empty() {
        line("  Then:".to_owned());
    }
    for record in &episode.followed {
        let later = after(record.at.moment.since(found.at.moment));
        line(format!("    {later} later: {}", followed(record)));
    }
    if let Some(rules) = body["rules"].as_str() {
        line(format!("  Decided under the rules {}.", rules.get(..12).unwrap_or(rules)));
    }
    text
}

fn local(at: WallTime, zone: &TimeZone) -> String {
    Timestamp::from_millisecond(at.0).map_or_else(
        |_| at.0.to_string(),
        |instant| zone.to_datetime(instant).strftime("%A %Y-%m-%d %H:%M:%S").to_string(),
    )
}

/// To the tenth of a second, while that matters.
fn after(span: Span) -> String {
    if span < Span::secs(60) { format!("{:.1} s", span.as_secs_f64()) } else { span.to_string() }
}

fn asked(body: &Value) -> String {
    let input = word(&body["input"]);
    match (body["request"].as_str(), body["gesture"].as_str()) {
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

fn detector_said(detector: &Value) -> String {
    let role = match detector["role"].as_str() {
        Some("advise") => " (only informs)",
        Some("permit-on") => " (for switching on)",
        Some(_) | None => "",
    };
    format!(
        "{}{role} said {}: {}",
        word(&detector["detector"]),
        word(&detector["state"]),
        word(&detector["reason"])
    )
}

fn read(reading: &Value) -> String {
    let value = match &reading["value"] {
        Value::String(text) => format!("{text:?}"),
        other => other.to_string(),
    };
    let age = reading["age_s"].as_f64().unwrap_or(0.0);
    format!("{} {value} {}, read {age:.1} s earlier", word(&reading["signal"]), word(&reading["unit"]))
        .replace(" ,", ",")
}

fn followed(record: &Found) -> String {
    let body = record.body();
    match record.kind() {
        Some(Kind::Decision) => {
            format!("{}: {} ({})", asked(&body), word(&body["decision"]), word(&body["reason"]))
        }
        Some(Kind::Order) => {
            let again = body["resend"].as_u64().filter(|resend| *resend > 0).map_or("", |_| " again");
            let cause = match body["cause"].as_str() {
                Some("plain") | None => String::new(),
                Some(cause) => format!(" ({cause})"),
            };
            let switch = word(&body["switch"]);
            match body["not_sent"].as_str() {
                Some(why) => format!("the order {switch}{cause} was not sent{again}: {why}"),
                None => format!("the order {switch}{cause} was sent{again}"),
            }
        }
        Some(Kind::Outlet) => format!("the outlet reported {}", word(&body["state"])),
        Some(Kind::State) => {
            let reasons = body["reasons"].as_array().into_iter().flatten().filter_map(Value::as_str);
            format!(
                "the machine {}: {}",
                counted(word(&body["state"])),
                reasons.collect::<Vec<_>>().join("; ")
            )
        }
        Some(_) | None => {
            format!("{}: {}", record.kind, body["sentence"].as_str().unwrap_or_else(|| word(&body["kind"])))
        }
    }
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("?")
}
