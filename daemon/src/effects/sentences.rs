//! What people hear and read. Sentences of the rules replace the built-in ones, kind by kind.
//!
//! A sentence is short, says the machine's name first, and gives the reason in numbers; where there is something
//! to do, it ends with what.

use std::collections::BTreeMap;

use crate::engine::{Announced, Decided, Finding, IncidentTold, NotUnderstood, OutletsLost, Why};
use crate::event::Verdict;
use crate::guard::{Announcement, Decision, IncidentKind, Reason, RequestKind};
use crate::plan::Role;
use crate::time::Span;

/// Kinds a sentence of one's own can be given for, and the built-in sentence of each.
pub const BUILT_IN: [(&str, &str); 26] = [
    ("held", "{machine} stays on: {reason}. To switch it off all the same, force it within {window}."),
    ("held-no-force", "{machine} stays on: {reason}. {input} may not force it."),
    ("window-over", "{machine} stays on. The time to force it off is over."),
    ("forced", "{machine} is being forced off by {input}."),
    ("emergency-off", "Emergency off: {machine} is being switched off by {input}, and stays locked."),
    ("locked", "{machine} is locked by {input}: it cannot be switched on from afar until it is unlocked."),
    ("unlocked", "{machine} is unlocked by {input}. It stays as it is."),
    ("refused", "{machine}: {request} by {input} is refused, because {why}."),
    (
        "emergency-ignored",
        "{machine}: an emergency off of {input} was found stored in the broker, and ignored. Delete it there.",
    ),
    (
        "emergency-too-old",
        "{machine}: an emergency off of {input} came so late that it is not obeyed. If there is an emergency now, ask again.",
    ),
    ("deferred", "{machine} will be switched off when it is idle. Now: {reason}."),
    ("deferral-cancelled", "{machine} stays as it is: the wish to switch it off later is cancelled."),
    ("deferral-notice", "{machine} is idle and will be switched off in {window}, unless somebody cancels."),
    ("deferral-busy-again", "{machine} is not switched off yet: {reason}."),
    (
        "deferral-expired",
        "{machine} is still on: it was never idle for as long as the wish to switch it off held.",
    ),
    ("off-abandoned", "{machine} is not switched off after all: {reason}."),
    (
        "stuck-input",
        "{input} has been repeating itself for long. It may be stuck; it is ignored until it stops.",
    ),
    ("on-by-another-route", "{machine} was switched on by another route than the guard."),
    ("off-by-another-route", "{machine} was switched off by another route than the guard."),
    (
        "off-by-another-route-urgent",
        "{machine} was switched off by another route than the guard, and may have been working: {reason}.",
    ),
    ("not-confirmed", "{machine}: its outlet does not confirm that it was switched. Look at it."),
    ("still-drawing", "{machine} still draws power although its outlet says it is off: {reason}."),
    ("incident-over", "{machine}: {incident} is over."),
    (
        "outlets-lost",
        "{machines} went off or out of reach at the same time: mains, hub or network may be gone. Look at them before \
         they come back.",
    ),
    ("outlets-back", "{machines} are back."),
    ("not-understood", "{input}: not understood, {why}"),
];

/// The placeholders a sentence may have.
pub const PLACEHOLDERS: [&str; 8] =
    ["machines", "machine", "reason", "window", "input", "request", "why", "incident"];

pub fn announcement(announced: &Announced, own: &BTreeMap<String, String>) -> String {
    let (kind, window, request, why) = match announced.what {
        Announcement::Held { window, may_force: true, .. } => ("held", Some(window), None, None),
        Announcement::Held { may_force: false, .. } => ("held-no-force", None, None, None),
        Announcement::DeferralNotice { acts_in, .. } => ("deferral-notice", Some(acts_in), None, None),
        Announcement::Refused { kind, reason, .. } => ("refused", None, Some(kind), Some(reason)),
        Announcement::WindowOver
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
        | Announcement::StuckInput { .. } => (announced.what.word(), None, None, None),
    };
    let reason = joined(&announced.reasons);
    fill(template(kind, own), |placeholder| match placeholder {
        "machine" => Some(announced.title.to_string()),
        "reason" => Some(reason.clone()),
        "window" => window.map(|window| window.to_string()),
        "input" => Some(announced.input.as_deref().unwrap_or("somebody").to_owned()),
        "request" => request.map(|request: RequestKind| request.word().to_owned()),
        "why" => why.map(|refused| match refused {
            Reason::OnPermitMissing | Reason::CircuitFull | Reason::OutOfHours if !reason.is_empty() => {
                reason.clone()
            }
            refused => reason_clause(refused).to_owned(),
        }),
        _ => None,
    })
}

pub fn incident(told: &IncidentTold, over: bool, own: &BTreeMap<String, String>) -> String {
    let kind = match (over, told.kind, told.urgent) {
        (true, ..) => "incident-over",
        (false, IncidentKind::OffByAnotherRoute, true) => "off-by-another-route-urgent",
        (false, kind, _) => kind.word(),
    };
    fill(template(kind, own), |placeholder| match placeholder {
        "machine" => Some(told.title.to_string()),
        "reason" => Some(joined(&told.reasons)),
        "incident" => Some(incident_clause(told.kind).to_owned()),
        _ => None,
    })
}

pub fn outlets_lost(told: &OutletsLost, own: &BTreeMap<String, String>) -> String {
    let kind = if told.over { "outlets-back" } else { "outlets-lost" };
    let titles: Vec<&str> = told.machines.iter().map(|(_, title)| title.as_ref()).collect();
    fill(template(kind, own), |placeholder| (placeholder == "machines").then(|| titles.join(", ")))
}

/// A decision in one sentence, for whoever asked.
pub fn decision(decided: &Decided) -> String {
    let machine = decided.title.as_deref().unwrap_or("the request");
    let because = match &decided.why {
        Why::Guard(
            Reason::MachineBusy | Reason::MachineUnknown | Reason::UntilIdle | Reason::MachineIdle,
        ) => grounds_clause(decided),
        Why::Guard(Reason::OnPermitMissing) => permit_clause(decided),
        Why::Guard(reason) => decided.against.as_deref().unwrap_or_else(|| reason_clause(*reason)).to_owned(),
        Why::DeferralDue => format!("it is idle: {}", grounds_clause(decided)),
        why @ (Why::UnknownMachine(_)
        | Why::RequestNotAllowed
        | Why::MachineNotAllowed
        | Why::Malformed(_)) => why_clause(why),
    };
    let verdict = match decided.decision {
        Decision::Acted => "done",
        Decision::NothingToDo => "nothing to do",
        Decision::Held => "held",
        Decision::Deferred => "deferred",
        Decision::Refused => "refused",
        Decision::Ignored => "ignored",
    };
    format!("{machine}: {verdict}, {because}")
}

fn why_clause(why: &Why) -> String {
    match why {
        Why::Guard(reason) => reason_clause(*reason).to_owned(),
        Why::DeferralDue => "it is idle".to_owned(),
        Why::UnknownMachine(said) => format!("no machine is called {said}"),
        Why::RequestNotAllowed => "this input may not make this request".to_owned(),
        Why::MachineNotAllowed => "this input may not ask for this machine".to_owned(),
        Why::Malformed(fault) => fault.clone(),
    }
}

/// For somebody whose words were not understood.
pub fn not_understood(told: &NotUnderstood, own: &BTreeMap<String, String>) -> String {
    fill(template("not-understood", own), |placeholder| match placeholder {
        "input" => Some(told.input.to_string()),
        "why" => Some(why_clause(&told.why)),
        _ => None,
    })
}

/// What stands against switching on.
fn permit_clause(decided: &Decided) -> String {
    let against = |finding: &&Finding| finding.role == Role::PermitOn && finding.verdict != Verdict::Idle;
    let reasons: Vec<_> = decided.grounds.findings.iter().filter(against).map(|f| f.reason.clone()).collect();
    if reasons.is_empty() { reason_clause(Reason::OnPermitMissing).to_owned() } else { joined(&reasons) }
}

fn grounds_clause(decided: &Decided) -> String {
    let telling = |finding: &&Finding| {
        finding.role == Role::Hold
            && (decided.decision == Decision::Acted || finding.verdict != Verdict::Idle)
    };
    let reasons: Vec<_> = decided.grounds.findings.iter().filter(telling).map(|f| f.reason.clone()).collect();
    if reasons.is_empty() {
        "its readings are not fresh enough to be sure".to_owned()
    } else {
        joined(&reasons)
    }
}

/// Why, as the second half of a sentence.
pub fn reason_clause(reason: Reason) -> &'static str {
    match reason {
        Reason::SwitchingOn => "it is being switched on",
        Reason::MachineIdle => "it is idle",
        Reason::ForcedInWindow => "forced inside the window",
        Reason::Emergency => "emergency, now locked",
        Reason::Locked => "it is now locked",
        Reason::Unlocked => "it is unlocked and stays as it is",
        Reason::DeferralCancelled => "the wish to switch it off later is cancelled",
        Reason::AlreadyOn => "it is on already",
        Reason::AlreadyOff => "it is off already",
        Reason::AlreadySwitching => "it is being switched already",
        Reason::AlreadyLocked => "it is locked already",
        Reason::NotLocked => "it was not locked",
        Reason::NothingToCancel => "there was nothing to cancel",
        Reason::MachineBusy => "it is working",
        Reason::MachineUnknown => "it is not known to be idle",
        Reason::UntilIdle => "it will be switched off when it is idle",
        Reason::NoticeRunning => "it will be switched off soon unless somebody cancels",
        Reason::Lockout => "it is locked",
        Reason::MayNotForce => "this input may not force",
        Reason::MayNotLock => "this input may not lock",
        Reason::MayNotUnlock => "this input may not unlock",
        Reason::MayNotEmergency => "this input is not declared as an emergency input",
        Reason::RemoteOnForbidden => "it may only be switched on by hand",
        Reason::OnPermitMissing => "what must hold before it is switched on does not",
        Reason::CircuitFull => "its circuit has no room for it",
        Reason::OutOfHours => "this input may not ask at this hour",
        Reason::Repeated => "the same gesture again",
        Reason::SameGesture => "it belongs to the gesture that was just held",
        Reason::Retained => "it came out of the broker's store",
        Reason::TooOld => "it is too old",
        Reason::Superseded => "something newer came in between",
        Reason::TooMany => "too many gestures at once",
        Reason::Duplicate => "it has been answered before",
    }
}

fn incident_clause(kind: IncidentKind) -> &'static str {
    match kind {
        IncidentKind::OnByAnotherRoute => "being on by another route",
        IncidentKind::OffByAnotherRoute => "being off by another route",
        IncidentKind::NotConfirmed => "the missing confirmation",
        IncidentKind::StillDrawing => "the draw after switching off",
    }
}

fn joined(reasons: &[std::sync::Arc<str>]) -> String {
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

/// Replaces each `{placeholder}`; one that means nothing here stays as it is, so that nothing is silently lost.
fn fill(template: &str, value: impl Fn(&str) -> Option<String>) -> String {
    let mut filled = String::with_capacity(template.len() + 64);
    let mut rest = template;
    while let Some(open) = rest.find('{') {
        let Some(length) = rest[open..].find('}') else { break };
        let (placeholder, after) = (&rest[open + 1..open + length], &rest[open + length + 1..]);
        filled.push_str(&rest[..open]);
        match value(placeholder) {
            Some(text) => filled.push_str(&text),
            None => filled.push_str(&rest[open..=open + length]),
        }
        rest = after;
    }
    filled.push_str(rest);
    filled
}

/// For a countdown, to the second, and never a zero while there is time left.
pub fn countdown(left: Span) -> String {
    Span::secs(left.0.div_ceil(1_000)).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::Name;
    use crate::guard::InputId;
    use crate::time::Now;

    fn held(may_force: bool) -> Announced {
        Announced {
            at: Now::default(),
            machine: Name::new("resin-printer").unwrap(),
            title: "Resin printer".into(),
            what: Announcement::Held {
                input: InputId(1),
                reason: Reason::MachineBusy,
                window: Span::secs(10),
                may_force,
            },
            input: Some("Bench button".into()),
            reasons: vec!["118 W, busy above 40 W".into()],
            clears_in: None,
        }
    }

    #[test]
    fn a_held_press_is_told_why_and_how_long_the_way_out_is_open() {
        assert_eq!(
            announcement(&held(true), &BTreeMap::new()),
            "Resin printer stays on: 118 W, busy above 40 W. To switch it off all the same, force it within 10 s."
        );
    }

    #[test]
    fn an_input_that_may_not_force_is_not_told_to() {
        let sentence = announcement(&held(false), &BTreeMap::new());
        assert!(sentence.ends_with("Bench button may not force it."), "{sentence}");
    }

    #[test]
    fn a_sentence_of_the_rules_takes_the_place_of_the_built_in_one() {
        let own = BTreeMap::from([("held".to_owned(), "Nicht jetzt: {reason} ({nonsense})".to_owned())]);
        assert_eq!(announcement(&held(true), &own), "Nicht jetzt: 118 W, busy above 40 W ({nonsense})");
    }

    #[test]
    fn every_kind_has_a_built_in_sentence_with_known_placeholders() {
        for (kind, sentence) in BUILT_IN {
            for part in sentence.split('{').skip(1) {
                let placeholder = part.split('}').next().unwrap();
                assert!(PLACEHOLDERS.contains(&placeholder), "{kind}: {placeholder}");
            }
        }
        for kind in IncidentKind::ALL {
            assert!(BUILT_IN.iter().any(|(known, _)| *known == kind.word()), "{kind:?}");
        }
    }
}
