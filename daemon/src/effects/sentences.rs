//! Decisions, announcements and incidents as sentences that people hear and read. Sentences of the rules replace the built-in
//! ones, kind by kind.
//!
//! A sentence is short, says the machine's name first, and gives the reason in numbers; where there is something
//! to do, it ends with what.

use std::collections::BTreeMap;
use std::sync::Arc;

pub use super::answers::decision;
use super::answers::{denied, not_accepted, reason_clause};
use super::template::{fill, piece};
use crate::engine::{Announced, IncidentTold, NotUnderstood, OutletsLost};
use crate::guard::{Announcement, IncidentKind, Reason};
use crate::text::in_a_row;

/// Kinds a sentence of one's own can be given for, and the built-in sentence of each.
pub const BUILT_IN: [(&str, &str); 31] = [
    ("held", "{machine} stays on: {reason}. To switch it off all the same, {how} within {window}."),
    (
        "held-unknown",
        "{machine} stays on, because it may be busy: {reason}. To switch it off all the same, {how} within {window}.",
    ),
    ("held-no-force", "{machine} stays on: {reason}. {input} may not force it off; {how}."),
    ("window-over", "{machine} stays on: nobody forced it off in time."),
    ("forced", "{machine} is being forced off by {input}."),
    (
        "emergency-off",
        "{machine} is being switched off: emergency off by {input}. It stays locked until somebody unlocks it.",
    ),
    (
        "locked",
        "{machine} was locked by {input}. Nobody can switch it on through Idlegate until it is unlocked.",
    ),
    ("unlocked", "{machine} was unlocked by {input}. Nothing was switched."),
    ("refused", "{machine} {denied}: {why}."),
    (
        "emergency-ignored",
        "{machine} was not switched off: the emergency off from {input} was an old message that the broker had stored. \
         Delete it there. If there is an emergency now, press again.",
    ),
    (
        "emergency-too-old",
        "{machine} was not switched off: the emergency off from {input} arrived too late. If there is an emergency \
         now, press again.",
    ),
    ("deferred", "{machine} will be switched off as soon as it is idle. For now it stays on: {reason}."),
    ("deferral-cancelled", "{machine} will not be switched off after all."),
    ("deferral-notice", "{machine} is idle and will be switched off in {window}, unless somebody cancels."),
    (
        "deferral-busy-again",
        "{machine} stays on for now: {reason}. It will be switched off as soon as it is idle.",
    ),
    (
        "deferral-expired",
        "{machine} is still on: it was never idle long enough to be switched off, and Idlegate no longer waits for it.",
    ),
    ("off-abandoned", "{machine} was not switched off after all: {reason}."),
    ("stuck-input", "{input} keeps repeating itself and may be stuck. Idlegate ignores it until it stops."),
    ("on-by-another-route", "{machine} was switched on, but not through Idlegate."),
    ("off-by-another-route", "{machine} was switched off, but not through Idlegate."),
    (
        "off-by-another-route-urgent",
        "{machine} was switched off, but not through Idlegate, and may have been busy: {reason}. Go and look at it.",
    ),
    ("not-confirmed", "{machine} may not have switched: its outlet has not confirmed. Go and look at it."),
    (
        "still-drawing",
        "{machine} still draws power, although its outlet says that it is off: {reason}. Go and look at it.",
    ),
    ("on-by-another-route-over", "{machine} is off again."),
    ("off-by-another-route-over", "{machine} is on again."),
    ("not-confirmed-over", "{machine}'s outlet has now confirmed."),
    (
        "not-confirmed-retried",
        "{machine} is being switched once more; its outlet had not confirmed the last time.",
    ),
    ("still-drawing-over", "{machine}'s outlet and meter agree again."),
    (
        "outlets-lost",
        "{machines} went off or out of reach at the same time. The mains, the hub or the network may be down. Look at \
         the machines before they come back on.",
    ),
    ("outlets-back", "{machines} are back."),
    ("not-understood", "{input} {why}."),
];

pub fn announcement(announced: &Announced, own: &BTreeMap<String, String>) -> String {
    let reasons = joined(&announced.reasons);
    fill(template(sentence_kind(announced, own), own), |placeholder| match placeholder {
        "machine" => Some(announced.title.to_string()),
        "reason" => Some(reasons.clone()),
        "window" => announced.window().map(|window| window.to_string()),
        "input" => {
            let title = announced.input.as_ref().map_or("somebody", |(_, title)| title.as_ref());
            Some(title.to_owned())
        }
        "how" => announced.how.as_deref().map(str::to_owned),
        "request" | "denied" | "why" => refusal(announced, &reasons, placeholder),
        _ => piece(announced.behind.as_ref(), placeholder),
    })
}

/// Which sentence it is. One of the rules for whatever is held is taken for a doubt, too.
fn sentence_kind(announced: &Announced, own: &BTreeMap<String, String>) -> &'static str {
    match announced.what {
        Announcement::Held { may_force: false, .. } => "held-no-force",
        Announcement::Held { reason: Reason::MachineUnknown, .. }
            if own.contains_key("held-unknown") || !own.contains_key("held") =>
        {
            "held-unknown"
        }
        Announcement::Held { .. }
        | Announcement::DeferralNotice { .. }
        | Announcement::Refused { .. }
        | Announcement::WindowOver
        | Announcement::Forced { .. }
        | Announcement::EmergencyOff { .. }
        | Announcement::Locked { .. }
        | Announcement::Unlocked { .. }
        | Announcement::EmergencyIgnored { .. }
        | Announcement::EmergencyTooOld { .. }
        | Announcement::Deferred { .. }
        | Announcement::DeferralCancelled { .. }
        | Announcement::DeferralBusyAgain
        | Announcement::DeferralExpired
        | Announcement::OffAbandoned
        | Announcement::StuckInput { .. } => announced.what.word(),
    }
}

fn refusal(announced: &Announced, reasons: &str, placeholder: &str) -> Option<String> {
    let Announcement::Refused { kind, reason, .. } = announced.what else { return None };
    Some(match placeholder {
        "request" => kind.word().to_owned(),
        "denied" => denied(Some(kind), Some(reason)).to_owned(),
        _ => match reason {
            Reason::OnPermitMissing | Reason::CircuitFull | Reason::OutOfHours | Reason::MayNotForce
                if !reasons.is_empty() =>
            {
                reasons.to_owned()
            }
            reason => reason_clause(reason).to_owned(),
        },
    })
}

pub fn incident(told: &IncidentTold, over: bool, own: &BTreeMap<String, String>) -> String {
    let kind = match (over, told.kind, told.urgent) {
        (true, IncidentKind::OnByAnotherRoute, _) => "on-by-another-route-over",
        (true, IncidentKind::OffByAnotherRoute, _) => "off-by-another-route-over",
        (true, IncidentKind::NotConfirmed, _) if told.retried => "not-confirmed-retried",
        (true, IncidentKind::NotConfirmed, _) => "not-confirmed-over",
        (true, IncidentKind::StillDrawing, _) => "still-drawing-over",
        (false, IncidentKind::OffByAnotherRoute, true) => "off-by-another-route-urgent",
        (false, kind, _) => kind.word(),
    };
    fill(template(kind, own), |placeholder| match placeholder {
        "machine" => Some(told.title.to_string()),
        "reason" => Some(joined(&told.reasons)),
        _ => piece(told.behind.as_ref(), placeholder),
    })
}

pub fn outlets_lost(told: &OutletsLost, own: &BTreeMap<String, String>) -> String {
    let kind = if told.over { "outlets-back" } else { "outlets-lost" };
    let titles: Vec<&str> = told.machines.iter().map(|(_, title)| title.as_ref()).collect();
    fill(template(kind, own), |placeholder| (placeholder == "machines").then(|| in_a_row(&titles, "and")))
}

/// For somebody whose words were not understood.
pub fn not_understood(told: &NotUnderstood, own: &BTreeMap<String, String>) -> String {
    let (_, title) = &told.input;
    let sentence = fill(template("not-understood", own), |placeholder| match placeholder {
        "input" => Some(title.to_string()),
        "why" => Some(not_accepted(&told.why)),
        _ => None,
    });
    match sentence.strip_suffix("?.") {
        Some(question) => format!("{question}?"),
        None => sentence,
    }
}

pub(super) fn joined(reasons: &[Arc<str>]) -> String {
    reasons.iter().map(AsRef::as_ref).collect::<Vec<&str>>().join("; ")
}

fn template<'a>(kind: &str, own: &'a BTreeMap<String, String>) -> &'a str
where
    'static: 'a,
{
    let built_in =
        BUILT_IN.iter().find(|(known, _)| *known == kind).map_or("{machine}", |(_, sentence)| sentence);
    own.get(kind).map_or(built_in, String::as_str)
}

#[cfg(test)]
#[path = "sentences_tests.rs"]
mod tests;
