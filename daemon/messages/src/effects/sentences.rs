//! Decisions, announcements and incidents as sentences that people hear and read. Sentences of the rules replace the
//! built-in ones, one by one.

use std::collections::BTreeMap;
use std::sync::Arc;

pub use super::answers::decision;
use super::answers::{ONLY_WATCHED_IN_EMERGENCY, denied, not_accepted, reason_clause};
pub use super::groups::{group_announcement, group_answer};
use super::job_words;
pub use super::sentence::Sentence;
use super::template::{fill, piece};
use idlegate_engine::{
    Announced, ContactUnclear, DetectorStopped, ForeignOrder, ForeignOrderStage, HowBad, IncidentTold,
    NotUnderstood, OutletsLost, ServiceDue, ShopIncident, Trouble, Warned, Warning,
};
use idlegate_guard::{Announcement, IncidentKind, Reason, RequestKind};
use idlegate_plan::Role;
use idlegate_plan::event::Name;
use idlegate_plan::text::{grouped, in_a_row};

/// Nobody listens to more names than this.
pub(super) const NAMED_MAX: usize = 8;

pub fn announcement(announced: &Announced, own: &BTreeMap<String, String>) -> String {
    let reasons = joined(&announced.reasons);
    let sentence = announced_in(announced, own);
    // The rules have no words for what only would have been.
    let shadow = sentence.in_shadow().filter(|_| announced.shadow);
    let template = shadow.unwrap_or_else(|| template(sentence, !announced.others.is_empty(), own));
    let said = fill(template, |placeholder| match placeholder {
        "machine" => Some(machines(announced)),
        "out_of_sight" => Some(out_of_sight(&announced.out_of_sight)),
        "reason" => Some(reasons.clone()),
        "window" => announced.window().map(|window| window.to_string()),
        "input" => {
            let title = announced.input.as_ref().map_or("somebody", |(_, title)| title.as_ref());
            Some(title.to_owned())
        }
        "pause" => announced.window().map(|pause| pause.to_string()),
        "how" if announced.how.is_some() => announced.how.as_deref().map(str::to_owned),
        "request" | "denied" | "why" => refusal(announced, &reasons, placeholder),
        _ => {
            job_words::piece(announced, placeholder).or_else(|| piece(announced.behind.as_ref(), placeholder))
        }
    });
    // Whatever words the rules have for it: whoever forces something off must hear what that leaves behind.
    let is_done = shadow.is_none();
    announced
        .left_behind
        .iter()
        .filter(|_| is_done)
        .fold(said, |said, left_behind| format!("{said} {left_behind}"))
}

/// All that it is about, as far as anybody listens.
fn machines(announced: &Announced) -> String {
    if announced.all {
        return format!("all {} machines", announced.others.len() + 1);
    }
    titles(&announced.title, &announced.others)
}

fn titles(first: &str, others: &[(Name, Arc<str>)]) -> String {
    let others = others.iter().map(|(_, title)| title.as_ref());
    some_of(&std::iter::once(first).chain(others).collect::<Vec<&str>>())
}

pub(super) fn some_of(titles: &[&str]) -> String {
    if titles.len() <= NAMED_MAX {
        return in_a_row(titles, "and");
    }
    format!("{} and {} others", titles[..NAMED_MAX - 1].join(", "), titles.len() - (NAMED_MAX - 1))
}

/// Nobody knows whether these hear the order.
fn out_of_sight(titles: &[Arc<str>]) -> String {
    let names: Vec<&str> = titles.iter().map(AsRef::as_ref).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => format!(" {one} has not said whether it is on or off: go and look at it."),
        several => format!(
            " {} of them have not said whether they are on or off: go and look at {}.",
            several.len(),
            some_of(several)
        ),
    }
}

/// Which sentence it is. One of the rules for whatever is held is taken for a doubt, too.
fn announced_in(announced: &Announced, own: &BTreeMap<String, String>) -> Sentence {
    let has_own = |sentence: Sentence| own.contains_key(sentence.word());
    match announced.what {
        Announcement::Held { may_force: false, .. } => Sentence::HeldNoForce,
        Announcement::Held { reason: Reason::MachineUnknown, .. }
            if has_own(Sentence::HeldUnknown) || !has_own(Sentence::Held) =>
        {
            Sentence::HeldUnknown
        }
        Announcement::Held { .. } => Sentence::Held,
        Announcement::WindowOver => Sentence::WindowOver,
        Announcement::Forced { .. } => Sentence::Forced,
        Announcement::EmergencyOff { .. } => Sentence::EmergencyOff,
        Announcement::Locked { .. } => Sentence::Locked,
        Announcement::Unlocked { .. } => Sentence::Unlocked,
        Announcement::LockLifted { .. } => Sentence::LockLifted,
        Announcement::Refused { .. } => Sentence::Refused,
        Announcement::EmergencyIgnored { .. } => Sentence::EmergencyIgnored,
        Announcement::EmergencyTooOld { .. } => Sentence::EmergencyTooOld,
        Announcement::Deferred { .. } => Sentence::Deferred,
        Announcement::DeferralCancelled { .. } => Sentence::DeferralCancelled,
        Announcement::DeferralNotice { .. } => Sentence::DeferralNotice,
        Announcement::DeferralBusyAgain => Sentence::DeferralBusyAgain,
        Announcement::DeferralExpired => Sentence::DeferralExpired,
        Announcement::KeptOn { .. } => Sentence::KeptOn,
        Announcement::KeepOnOver { input: None } => Sentence::KeepOnOver,
        Announcement::KeepOnOver { input: Some(_) } => Sentence::KeepOnCancelled,
        Announcement::OffAbandoned => Sentence::OffAbandoned,
        Announcement::StuckInput { .. } => Sentence::StuckInput,
        Announcement::SaysOff { .. } => Sentence::SaysOff,
        Announcement::FoundPushed { .. } => Sentence::FoundPushed,
        Announcement::LetGo { .. } => Sentence::LetGo,
        Announcement::Finished => Sentence::Finished,
        Announcement::Cut => Sentence::Cut,
        Announcement::EndedUnseen => Sentence::EndedUnseen,
        Announcement::MayBeOff => Sentence::MayBeOff,
        Announcement::LeftOn { .. } => Sentence::LeftOn,
        Announcement::PowerBack { .. } => Sentence::PowerBack,
    }
}

fn refusal(announced: &Announced, reasons: &str, placeholder: &str) -> Option<String> {
    let Announcement::Refused { kind, reason, .. } = announced.what else { return None };
    Some(match placeholder {
        "request" => kind.word().to_owned(),
        "denied" => denied(Some(kind), Some(reason), announced.shadow).to_owned(),
        _ => match reason {
            Reason::OnPermitMissing
            | Reason::CircuitFull
            | Reason::Lockout
            | Reason::MayNotUnlock
            | Reason::OutOfHours
            | Reason::MayNotForce
            | Reason::OnNotFromHere
            | Reason::ContactPushed
                if !reasons.is_empty() =>
            {
                reasons.to_owned()
            }
            Reason::OnlyWatched if kind == RequestKind::EmergencyOff => ONLY_WATCHED_IN_EMERGENCY.to_owned(),
            reason => reason_clause(reason).to_owned(),
        },
    })
}

pub fn incident(told: &IncidentTold, over: bool, own: &BTreeMap<String, String>) -> String {
    let sentence = match (told.kind, over) {
        (IncidentKind::OnByAnotherRoute, false) => Sentence::OnByAnotherRoute,
        (IncidentKind::OnByAnotherRoute, true) => Sentence::OnByAnotherRouteOver,
        (IncidentKind::OffByAnotherRoute, false) if told.urgent => Sentence::OffByAnotherRouteUrgent,
        (IncidentKind::OffByAnotherRoute, false) => Sentence::OffByAnotherRoute,
        (IncidentKind::OffByAnotherRoute, true) => Sentence::OffByAnotherRouteOver,
        (IncidentKind::NotConfirmed, false) => Sentence::NotConfirmed,
        (IncidentKind::NotConfirmed, true) if told.retried => Sentence::NotConfirmedRetried,
        (IncidentKind::NotConfirmed, true) => Sentence::NotConfirmedOver,
        (IncidentKind::StillDrawing, false) => Sentence::StillDrawing,
        (IncidentKind::StillDrawing, true) => Sentence::StillDrawingOver,
    };
    fill(template(sentence, !told.others.is_empty(), own), |placeholder| match placeholder {
        "machine" => Some(titles(&told.title, &told.others)),
        "reason" => Some(joined(&told.reasons)),
        _ => piece(told.behind.as_ref(), placeholder),
    })
}

pub fn outlets_lost(told: &OutletsLost, own: &BTreeMap<String, String>) -> String {
    let sentence = if told.over { Sentence::OutletsBack } else { Sentence::OutletsLost };
    let titles: Vec<&str> = told.machines.iter().map(|(_, title)| title.as_ref()).collect();
    fill(template(sentence, false, own), |placeholder| {
        (placeholder == "machines").then(|| in_a_row(&titles, "and"))
    })
}

pub fn contact_unclear(told: &ContactUnclear, own: &BTreeMap<String, String>) -> String {
    let over = told.said.is_none();
    let sentence = if over { Sentence::ContactUnclearOver } else { Sentence::ContactUnclear };
    let titles: Vec<&str> = told.machines.iter().map(|(_, title)| title.as_ref()).collect();
    fill(template(sentence, false, own), |placeholder| match placeholder {
        "machines" => Some(in_a_row(&titles, "and")),
        "input" => Some(told.input.1.to_string()),
        "said" => told.said.as_ref().map(|said| format!("{said:?}")),
        _ => None,
    })
}

pub fn foreign_order(told: &ForeignOrder, own: &BTreeMap<String, String>) -> String {
    let sentence = match (told.stage, told.stored) {
        (ForeignOrderStage::Over, _) => Sentence::OrderByAnotherRouteOver,
        (ForeignOrderStage::Begun | ForeignOrderStage::GoesOn, true) => Sentence::OrderByAnotherRouteStored,
        (ForeignOrderStage::Begun | ForeignOrderStage::GoesOn, false) => Sentence::OrderByAnotherRoute,
    };
    fill(template(sentence, false, own), |placeholder| match placeholder {
        "machine" => Some(told.title.to_string()),
        "order" => Some(told.order.to_string()),
        "topic" => Some(told.topic.to_string()),
        _ => None,
    })
}

pub fn detector_stopped(told: &DetectorStopped, own: &BTreeMap<String, String>) -> String {
    let sentence = match (told.over, told.how_bad) {
        (true, _) => Sentence::DetectorStoppedOver,
        (false, HowBad::Stopped) => Sentence::DetectorStopped,
        (false, HowBad::NotLoaded) => Sentence::DetectorNotLoaded,
        (false, HowBad::TakenOut) => Sentence::DetectorTakenOut,
    };
    fill(template(sentence, false, own), |placeholder| match placeholder {
        "machine" => Some(told.title.to_string()),
        "detector" => Some(told.detector.to_string()),
        "why" => Some(told.why.to_string()),
        "meanwhile" => Some(match told.role {
            Role::Hold => "Until it works, the machine counts as busy.".to_owned(),
            Role::Advise => "It only advises, so nothing else changes.".to_owned(),
            Role::PermitOn => "Until it works, the machine cannot be switched on from afar.".to_owned(),
            Role::Warn(_) => "Until it works, it warns of nothing.".to_owned(),
        }),
        _ => None,
    })
}

pub fn warned(told: &Warned, own: &BTreeMap<String, String>) -> String {
    let sentence = match (&told.what, told.over) {
        (Warning::Detector { .. }, false) => Sentence::Warning,
        (Warning::Detector { .. }, true) => Sentence::WarningOver,
        (Warning::NeededOff { .. }, false) => Sentence::NeededMachineOff,
        (Warning::NeededOff { .. }, true) => Sentence::NeededMachineOffOver,
    };
    fill(template(sentence, false, own), |placeholder| match (&told.what, placeholder) {
        (_, "machine") => Some(told.title.to_string()),
        (Warning::Detector { detector, .. }, "detector") => Some(detector.to_string()),
        (Warning::Detector { reason, .. }, "reason") => Some(reason.to_string()),
        (Warning::NeededOff { needed }, "needed") => Some(needed.to_string()),
        _ => None,
    })
}

/// Something is to be done to a machine again.
pub fn service_due(told: &ServiceDue, own: &BTreeMap<String, String>) -> String {
    fill(template(Sentence::ServiceDue, false, own), |placeholder| match placeholder {
        "machine" => Some(told.title.to_string()),
        "why" => Some(told.service.words.to_string()),
        _ => None,
    })
}

pub fn trouble(told: &ShopIncident, own: &BTreeMap<String, String>) -> String {
    let sentence = match (&told.what, told.over) {
        (Trouble::EmergencyLink { .. }, false) => Sentence::EmergencyConnectionLost,
        (Trouble::EmergencyLink { .. }, true) => Sentence::EmergencyConnectionBack,
        (Trouble::Flood { .. }, false) => Sentence::Flood,
        (Trouble::Flood { .. }, true) => Sentence::FloodOver,
    };
    fill(template(sentence, false, own), |placeholder| match (&told.what, placeholder) {
        (Trouble::EmergencyLink { why }, "why") => Some(why.to_string()),
        (Trouble::Flood { title, .. }, "input") => Some(title.to_string()),
        (Trouble::Flood { sent, .. }, "sent") => Some(grouped(*sent)),
        (Trouble::Flood { heard, .. }, "heard") => Some(grouped(*heard)),
        (Trouble::Flood { unheard, .. }, "unheard") => Some(grouped(*unheard)),
        _ => None,
    })
}

pub fn late_broker(over: bool, own: &BTreeMap<String, String>) -> String {
    fill(template(if over { Sentence::LateBrokerOver } else { Sentence::LateBroker }, false, own), |_| None)
}

/// About several machines, by their titles.
pub fn of_machines(sentence: Sentence, titles: &[&str], own: &BTreeMap<String, String>) -> String {
    fill(template(sentence, false, own), |placeholder| {
        (placeholder == "machines").then(|| in_a_row(titles, "and"))
    })
}

/// For somebody whose words were not understood.
pub fn not_understood(told: &NotUnderstood, own: &BTreeMap<String, String>) -> String {
    let (_, title) = &told.input;
    let sentence = fill(template(Sentence::NotUnderstood, false, own), |placeholder| match placeholder {
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

pub(super) fn template(sentence: Sentence, of_several: bool, own: &BTreeMap<String, String>) -> &str {
    let several = sentence.of_several().filter(|_| of_several);
    own.get(sentence.word()).map_or_else(|| several.unwrap_or(sentence.text()), String::as_str)
}

#[cfg(test)]
#[path = "sentences_tests.rs"]
mod tests;
