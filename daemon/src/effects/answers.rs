//! A decision in one sentence, for whoever asked.

use super::sentences::joined;
use crate::engine::{Decided, Finding, Why};
use crate::event::Verdict;
use crate::guard::{Decision, Reason, RequestKind};
use crate::plan::Role;

pub fn decision(decided: &Decided) -> String {
    let Some(machine) = decided.title.as_deref() else { return about_no_machine(decided) };
    let clause = match &decided.why {
        Why::Guard(reason) => by_guard(decided, *reason),
        Why::DeferralDue => format!("is idle and is being switched off: {}", grounds(decided)),
        Why::UnknownMachine(_) | Why::RequestNotAllowed | Why::MachineNotAllowed | Why::Malformed(_) => {
            format!("{}: {} {}", denied(decided.request, None), decided.input, not_accepted(&decided.why))
        }
    };
    let said =
        if clause.starts_with(':') { format!("{machine}{clause}") } else { format!("{machine} {clause}") };
    full_stop(said)
}

fn about_no_machine(decided: &Decided) -> String {
    full_stop(match &decided.why {
        Why::UnknownMachine(said) => format!("There is no machine called {said}"),
        Why::Malformed(fault) => {
            format!("The request from {} could not be understood: {fault}", decided.input)
        }
        why @ (Why::RequestNotAllowed | Why::MachineNotAllowed) => {
            format!("{} {}", decided.input, not_accepted(why))
        }
        Why::Guard(reason) => format!("Nothing was done: {}", reason_clause(*reason)),
        Why::DeferralDue => "Nothing was done".to_owned(),
    })
}

/// What follows the machine's name; one that begins with a colon speaks of the request, not of the machine.
fn by_guard(decided: &Decided, reason: Reason) -> String {
    match reason {
        Reason::SwitchingOn => "is being switched on".to_owned(),
        Reason::MachineIdle => format!("is being switched off: {}", grounds(decided)),
        Reason::ForcedInWindow => "is being forced off".to_owned(),
        Reason::Emergency => "is being switched off in an emergency, and is now locked".to_owned(),
        Reason::Locked => "is now locked".to_owned(),
        Reason::Unlocked => "is unlocked. Nothing was switched".to_owned(),
        Reason::DeferralCancelled => "will not be switched off after all".to_owned(),
        Reason::AlreadyOn => "is already on".to_owned(),
        Reason::AlreadyOff => "is already off".to_owned(),
        Reason::AlreadySwitching => "is already being switched".to_owned(),
        Reason::AlreadyLocked => "is already locked".to_owned(),
        Reason::NotLocked => "is not locked".to_owned(),
        Reason::NothingToCancel => ": there is nothing to cancel".to_owned(),
        Reason::MachineBusy | Reason::MachineUnknown => format!("stays on: {}", grounds(decided)),
        Reason::UntilIdle => format!("stays on until it is idle: {}", grounds(decided)),
        Reason::NoticeRunning => "is idle and will be switched off soon, unless somebody cancels".to_owned(),
        Reason::Lockout
        | Reason::MayNotForce
        | Reason::MayNotLock
        | Reason::MayNotUnlock
        | Reason::MayNotEmergency
        | Reason::RemoteOnForbidden
        | Reason::CircuitFull
        | Reason::OutOfHours => {
            let why = decided.against.as_deref().unwrap_or_else(|| reason_clause(reason));
            format!("{}: {why}", denied(decided.request, Some(reason)))
        }
        Reason::OnPermitMissing => {
            format!("{}: {}", denied(decided.request, Some(reason)), permit(decided))
        }
        Reason::Repeated
        | Reason::SameGesture
        | Reason::Retained
        | Reason::TooOld
        | Reason::Superseded
        | Reason::TooMany
        | Reason::Duplicate => format!(": {}", reason_clause(reason)),
    }
}

/// What a refusal leaves undone, as it follows the machine's name.
pub(super) fn denied(request: Option<RequestKind>, reason: Option<Reason>) -> &'static str {
    match request {
        Some(RequestKind::On) => "was not switched on",
        Some(RequestKind::Off | RequestKind::OffOnceIdle | RequestKind::EmergencyOff) => {
            "was not switched off"
        }
        Some(RequestKind::ForceOff) => "was not forced off",
        Some(RequestKind::Flip) => match reason {
            Some(
                Reason::Lockout | Reason::RemoteOnForbidden | Reason::OnPermitMissing | Reason::CircuitFull,
            ) => "was not switched on",
            Some(_) | None => "was not switched",
        },
        Some(RequestKind::Lock) => "was not locked",
        Some(RequestKind::Unlock) => "was not unlocked",
        Some(RequestKind::Cancel) | None => "was left as it is",
    }
}

/// As it follows the input's name.
pub(super) fn not_accepted(why: &Why) -> String {
    match why {
        Why::Guard(reason) => reason_clause(*reason).to_owned(),
        Why::DeferralDue => "is idle".to_owned(),
        Why::UnknownMachine(said) => format!("named a machine that does not exist, {said}"),
        Why::RequestNotAllowed => "may not ask for that".to_owned(),
        Why::MachineNotAllowed => "may not ask about this machine".to_owned(),
        Why::Malformed(fault) => format!("was not understood: {fault}"),
    }
}

/// Why, as a clause of its own.
pub(super) fn reason_clause(reason: Reason) -> &'static str {
    match reason {
        Reason::SwitchingOn => "it is being switched on",
        Reason::MachineIdle => "it is idle",
        Reason::ForcedInWindow => "it is being forced off",
        Reason::Emergency => "there is an emergency",
        Reason::Locked => "it is now locked",
        Reason::Unlocked => "it is unlocked, and nothing was switched",
        Reason::DeferralCancelled => "it will not be switched off after all",
        Reason::AlreadyOn => "it is already on",
        Reason::AlreadyOff => "it is already off",
        Reason::AlreadySwitching => "it is already being switched",
        Reason::AlreadyLocked => "it is already locked",
        Reason::NotLocked => "it is not locked",
        Reason::NothingToCancel => "there is nothing to cancel",
        Reason::MachineBusy => "it is busy",
        Reason::MachineUnknown => "it may be busy",
        Reason::UntilIdle => "it stays on until it is idle",
        Reason::NoticeRunning => "it is idle and will be switched off soon, unless somebody cancels",
        Reason::Lockout => "it is locked; unlock it first",
        Reason::MayNotForce => "this input may not force it off",
        Reason::MayNotLock => "this input may not lock it",
        Reason::MayNotUnlock => "this input may not unlock it",
        Reason::MayNotEmergency => "this input is not an emergency input; use one that is",
        Reason::RemoteOnForbidden => "it may only be switched on by hand, at the machine",
        Reason::OnPermitMissing => "not everything is ready for it to be switched on",
        Reason::CircuitFull => "its circuit cannot carry it as well",
        Reason::OutOfHours => "this input may not ask at this hour",
        Reason::Repeated => "the same gesture again so soon counts only once",
        Reason::SameGesture => "that came too soon after the press to count as a second one",
        Reason::Retained => "an old message that the broker had stored was ignored",
        Reason::TooOld => "the request arrived too late and was ignored; ask again",
        Reason::Superseded => "something newer came in, so this request was dropped",
        Reason::TooMany => "too many requests came at once, and this one was ignored",
        Reason::Duplicate => "this request has already been answered",
    }
}

/// What stands against switching on.
fn permit(decided: &Decided) -> String {
    let against = |finding: &&Finding| finding.role == Role::PermitOn && finding.verdict != Verdict::Idle;
    let reasons: Vec<_> = decided.grounds.findings.iter().filter(against).map(|f| f.reason.clone()).collect();
    if reasons.is_empty() { reason_clause(Reason::OnPermitMissing).to_owned() } else { joined(&reasons) }
}

fn grounds(decided: &Decided) -> String {
    let idle = matches!(decided.decision, Decision::Acted);
    let counts =
        |finding: &&Finding| finding.role == Role::Hold && (idle || finding.verdict != Verdict::Idle);
    let reasons: Vec<_> = decided.grounds.findings.iter().filter(counts).map(|f| f.reason.clone()).collect();
    if reasons.is_empty() {
        "its readings are not fresh enough to be sure".to_owned()
    } else {
        joined(&reasons)
    }
}

/// Ends a sentence that has no end of its own.
pub(super) fn full_stop(mut sentence: String) -> String {
    if !sentence.ends_with(['.', '!', '?']) {
        sentence.push('.');
    }
    sentence
}
