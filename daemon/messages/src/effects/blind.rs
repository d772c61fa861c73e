//! What cannot be seen, as sentences. Of several at once each kind is one sentence, where its words allow it.

use std::collections::BTreeMap;

use super::sentence::Sentence;
use super::sentences::{NAMED_MAX, some_of, template};
use super::template::fill;
use crate::Blind;
use idlegate_engine::{BlindSpot, BlindSpotsTold, Blindness, Consequence};
use idlegate_guard::time::Span;

/// What is said of all of them.
pub fn blind_spots(told: &BlindSpotsTold, own: &BTreeMap<String, String>) -> String {
    let mut said = Vec::new();
    let mut rest = told.spots.as_slice();
    while let Some(first) = rest.first() {
        let alike = rest.iter().take_while(|spot| spot.kind == first.kind).count();
        let (group, others) = rest.split_at(alike);
        match sentence(first.kind, told.over) {
            Some(sentence) if group.len() > 1 && sentence.of_several().is_some() => {
                said.push(of_group(sentence, group, own));
            }
            Some(sentence) => said.extend(group.iter().map(|spot| of_one(sentence, spot, own))),
            None => {}
        }
        rest = others;
    }
    let unsaid = said.len().saturating_sub(NAMED_MAX);
    said.truncate(NAMED_MAX);
    if unsaid > 0 {
        said.push(format!("And {unsaid} more: see idlegate status."));
    }
    said.join(" ")
}

/// None of those that have an incident of their own.
fn sentence(kind: Blindness, over: bool) -> Option<Sentence> {
    let (begun, ended) = match kind {
        Blindness::OutletUnreachable => (Sentence::OutletUnreachable, Sentence::OutletReachable),
        Blindness::MeterSilent => (Sentence::MeterSilent, Sentence::MeterSilentOver),
        Blindness::MeterStuck => (Sentence::MeterStuck, Sentence::MeterStuckOver),
        Blindness::PayloadNotUnderstood => (Sentence::PayloadNotUnderstood, Sentence::PayloadUnderstood),
        Blindness::InputSilent => (Sentence::InputSilent, Sentence::InputHeard),
        Blindness::BatteryLow => (Sentence::BatteryLow, Sentence::BatteryGood),
        Blindness::JournalOut => (Sentence::JournalOut, Sentence::JournalRecords),
        Blindness::ClockUnset => (Sentence::ClockUnset, Sentence::ClockSet),
        Blindness::DetectorOut | Blindness::LateBroker => return None,
    };
    Some(if over { ended } else { begun })
}

fn of_one(sentence: Sentence, spot: &BlindSpot, own: &BTreeMap<String, String>) -> String {
    let title = spot.of.as_ref().map_or("", |(_, title)| title.as_ref());
    let signal = spot.part.as_ref().map_or("", |part| part.as_str());
    fill(template(sentence, false, own), |placeholder| match placeholder {
        "machine" | "input" => Some(title.to_owned()),
        "meter" => Some(meter(spot)),
        "signal" => Some(signal.to_owned()),
        "for" => Some(about(spot.lasted).to_string()),
        "why" => Some(spot.why.as_deref().unwrap_or("?").to_owned()),
        "meanwhile" => Some(meanwhile(spot).to_owned()),
        _ => None,
    })
    .trim_end()
    .to_owned()
}

fn of_group(sentence: Sentence, spots: &[BlindSpot], own: &BTreeMap<String, String>) -> String {
    let mut titles: Vec<&str> = spots.iter().filter_map(|spot| Some(spot.of.as_ref()?.1.as_ref())).collect();
    titles.dedup();
    let longest = spots.iter().map(|spot| spot.lasted).max().unwrap_or_default();
    let held = spots.iter().any(|spot| spot.meanwhile == Consequence::OffHeld);
    let meanwhile =
        if held { "Until they are back, off is held there and only a force gets through." } else { "" };
    fill(template(sentence, true, own), |placeholder| match placeholder {
        "machine" | "input" => Some(some_of(&titles)),
        "meter" => Some("their meters".to_owned()),
        "signal" | "why" => Some(String::new()),
        "for" => Some(about(longest).to_string()),
        "meanwhile" => Some(meanwhile.to_owned()),
        _ => None,
    })
    .trim_end()
    .to_owned()
}

/// Nobody needs to hear that ten minutes were two seconds more.
fn about(lasted: Span) -> Span {
    let unit = if lasted >= Span::secs(60) { 60_000 } else { 1_000 };
    Span(lasted.0 / unit * unit)
}

fn meter(spot: &BlindSpot) -> String {
    match (&spot.part, spot.one_of_several) {
        (None, _) => "its outlet".to_owned(),
        (Some(_), false) => "its meter".to_owned(),
        (Some(signal), true) => format!("its signal {signal}"),
    }
}

fn meanwhile(spot: &BlindSpot) -> &'static str {
    match (spot.meanwhile, spot.kind) {
        (Consequence::OffHeld, Blindness::MeterStuck) => {
            "Until it moves, off is held and only a force gets through."
        }
        (Consequence::OffHeld, _) => "Until it is back, off is held and only a force gets through.",
        (Consequence::OffWouldBeHeld, _) => "Until then, an off would be held.",
        (Consequence::OnRefused, _) => "Until it is back, the machine cannot be switched on from afar.",
        (Consequence::NothingElse, Blindness::PayloadNotUnderstood) if spot.part.is_none() => {
            "So nobody knows whether it is on."
        }
        (Consequence::NothingElse, _) => "",
    }
}

/// One that lasts, for somebody who looks at the machine, the input or the shop.
pub fn lasting(blind: &Blind) -> String {
    let Blind { kind, signal, why, .. } = blind;
    let meter =
        signal.as_ref().map_or_else(|| "its outlet".to_owned(), |signal| format!("its signal {signal}"));
    let why = why.as_ref().map_or_else(String::new, |why| format!(": {why}"));
    match Blindness::from_word(kind) {
        Some(Blindness::OutletUnreachable) => "its outlet is out of reach".to_owned(),
        Some(Blindness::MeterSilent) => format!("{meter} is silent"),
        Some(Blindness::MeterStuck) => format!("{meter} may be stuck{why}"),
        Some(Blindness::PayloadNotUnderstood) => format!("what {meter} sends is not understood{why}"),
        Some(Blindness::DetectorOut) => format!("a detector is out{why}"),
        Some(Blindness::InputSilent) => "it is not heard".to_owned(),
        Some(Blindness::BatteryLow) => format!("its battery is low{why}"),
        Some(Blindness::JournalOut) => format!("the journal does not record{why}"),
        Some(Blindness::ClockUnset) => format!("the computer's clock is not set{why}"),
        Some(Blindness::LateBroker) => "the broker delivers messages that have expired".to_owned(),
        None => format!("{kind}{why}"),
    }
}

pub fn lasting_since(blind: &Blind) -> String {
    format!("{}, since {}", lasting(blind), blind.since)
}

/// What somebody can do about it.
pub fn remedy(kind: &str) -> &'static str {
    match Blindness::from_word(kind) {
        Some(Blindness::OutletUnreachable) => "Check the outlet's power and its radio.",
        Some(Blindness::MeterSilent) => {
            "Check the meter's power and its radio; `idlegate listen` shows what still comes."
        }
        Some(Blindness::MeterStuck) => "Compare what it reads with the machine; restart the meter.",
        Some(Blindness::PayloadNotUnderstood) => {
            "`idlegate listen` shows what comes; correct pointer, unit or words in the machine's file."
        }
        Some(Blindness::DetectorOut) => "See its message in the log; correct its file or its settings.",
        Some(Blindness::InputSilent) => "Press it; change its battery; look at its radio.",
        Some(Blindness::BatteryLow) => "Change the battery.",
        Some(Blindness::JournalOut) => "Check the disk: it may be full, worn out or read-only.",
        Some(Blindness::ClockUnset) => "Set the computer's clock, best by NTP.",
        Some(Blindness::LateBroker) => {
            "Use another broker, or set the outlets to begin a new session whenever they connect."
        }
        None => "See the log of Idlegate.",
    }
}

#[cfg(test)]
#[path = "blind_tests.rs"]
mod tests;
