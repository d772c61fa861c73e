//! A decision in one sentence, for whoever asked. In shadow mode it says what would have been done.

use super::sentences::joined;
use super::standing::open_incident;
use idlegate_engine::{Decided, Finding, Why};
use idlegate_guard::{Decision, PermissiveState, Reason, RequestKind};
use idlegate_plan::Role;
use idlegate_plan::event::Verdict;

pub fn decision(decided: &Decided) -> String {
    let Some(machine) = decided.title.as_deref() else { return about_no_machine(decided) };
    if decided.shadow {
        return full_stop(format!("Shadow: {machine} {}", would(decided)));
    }
    let clause = match &decided.why {
        Why::Guard(reason) => by_guard(decided, *reason),
        Why::DeferralDue => format!("is idle and is being switched off: {}", grounds(decided)),
        Why::UnknownMachine(_)
        | Why::UnknownService(_)
        | Why::UnknownGroup(_)
        | Why::GroupNotAllowed
        | Why::NotByGroup(_)
        | Why::RequestNotAllowed
        | Why::MachineNotAllowed
        | Why::Malformed(_) => {
            format!(
                "{}: {} {}",
                denied(decided.request, None, false),
                decided.input,
                not_accepted(&decided.why)
            )
        }
    };
    let said =
        if clause.starts_with(':') { format!("{machine}{clause}") } else { format!("{machine} {clause}") };
    full_stop(said)
}

fn about_no_machine(decided: &Decided) -> String {
    full_stop(match &decided.why {
        Why::UnknownMachine(said) => format!("There is no machine called {said}"),
        Why::UnknownService(said) => format!("There is no service called {said}"),
        Why::UnknownGroup(said) => format!("There is no group called {said}"),
        Why::NotByGroup(kind) => not_by_group(*kind).to_owned(),
        Why::Malformed(fault) => {
            format!("The request from {} could not be understood: {fault}", decided.input)
        }
        why @ (Why::RequestNotAllowed | Why::MachineNotAllowed | Why::GroupNotAllowed) => {
            format!("{} {}", decided.input, not_accepted(why))
        }
        Why::Guard(Reason::Repeated) if decided.count > 1 => format!(
            "{} asked for {} {} more times within a second; they count as the one before",
            decided.input,
            decided.request.map_or("the same", |kind| kind.word()),
            decided.count
        ),
        Why::Guard(reason) => format!("Nothing was done: {}", reason_clause(*reason)),
        Why::DeferralDue => "Nothing was done".to_owned(),
    })
}

/// What no group is asked for, and what to do instead.
fn not_by_group(request: RequestKind) -> &'static str {
    match request {
        RequestKind::ForceOff => {
            "A group is never forced off. Ask it for off or off-once-idle, and force each machine by itself"
        }
        RequestKind::On | RequestKind::Flip => "A group is never switched on. Ask for each machine by itself",
        RequestKind::EmergencyOff => {
            "Nothing was switched: a group takes no emergency off. If there is an emergency now, press a red button, or ask \
             for emergency-off of each machine"
        }
        RequestKind::Off
        | RequestKind::OffOnceIdle
        | RequestKind::Cancel
        | RequestKind::KeepOn
        | RequestKind::Lock
        | RequestKind::Unlock
        | RequestKind::Serviced => {
            "A group can be asked for off, off-once-idle or cancel. Ask for the rest machine by machine"
        }
    }
}

/// What follows the machine's name; one that begins with a colon speaks of the request, not of the machine.
fn by_guard(decided: &Decided, reason: Reason) -> String {
    match reason {
        Reason::SwitchingOn => "is being switched on".to_owned(),
        Reason::MachineIdle => format!("is being switched off: {}", grounds(decided)),
        Reason::ForcedInWindow => "is being forced off".to_owned(),
        Reason::Emergency => "is being switched off in an emergency, and is now locked".to_owned(),
        Reason::Locked => match &decided.against {
            Some(quiet) => format!("is now locked. {quiet}"),
            None => "is now locked".to_owned(),
        },
        Reason::Unlocked => unlocked(decided),
        Reason::LockLifted => {
            let holders = decided.against.as_deref().unwrap_or("somebody else");
            format!("is still locked by {holders}. The lock of {} was lifted", decided.input)
        }
        Reason::Serviced => {
            format!(": {}", decided.against.as_deref().unwrap_or_else(|| reason_clause(reason)))
        }
        Reason::DeferralCancelled => "will not be switched off after all".to_owned(),
        Reason::KeepingOn => format!("stays on: {}", grounds(decided)),
        Reason::KeepOnCancelled => "is no longer kept on".to_owned(),
        Reason::AlreadyOn => "is already on".to_owned(),
        Reason::AlreadyOff => "is already off".to_owned(),
        Reason::AlreadySwitching => "is already being switched".to_owned(),
        Reason::AlreadyLocked => "is already locked".to_owned(),
        Reason::NotLocked => "is not locked".to_owned(),
        Reason::NothingToCancel => ": there is nothing to cancel".to_owned(),
        Reason::MachineBusy | Reason::MachineUnknown | Reason::KeptOn => {
            format!("stays on: {}", grounds(decided))
        }
        Reason::UntilIdle => format!("stays on until it is idle: {}", grounds(decided)),
        Reason::NoticeRunning => "is idle and will be switched off soon, unless somebody cancels".to_owned(),
        Reason::Lockout
        | Reason::MayNotForce
        | Reason::MayNotKeepOn
        | Reason::MayNotLock
        | Reason::MayNotUnlock
        | Reason::MayNotEmergency
        | Reason::MayNotService
        | Reason::LocksFull
        | Reason::OnNotFromHere
        | Reason::OnPermitMissing
        | Reason::CircuitFull
        | Reason::ContactPushed
        | Reason::NeverOff
        | Reason::OnlyWatched
        | Reason::OutOfHours => {
            format!("{}: {}", denied(decided.request, Some(reason), false), against(decided, reason))
        }
        Reason::Repeated if decided.count > 1 => format!(
            ": {} asked for {} {} more times within a second; they count as the one before",
            decided.input,
            decided.request.map_or("the same", |kind| kind.word()),
            decided.count
        ),
        Reason::Repeated
        | Reason::SameGesture
        | Reason::Retained
        | Reason::TooOld
        | Reason::Superseded
        | Reason::TooMany => format!(": {}", reason_clause(reason)),
        Reason::Duplicate => {
            format!(": {}", decided.against.as_deref().unwrap_or_else(|| reason_clause(reason)))
        }
    }
}

/// With what went wrong meanwhile and nobody heard of.
fn unlocked(decided: &Decided) -> String {
    let open = decided.against.as_deref().unwrap_or_default();
    let open: Vec<&str> = open.split_whitespace().map(open_incident).collect();
    if open.is_empty() {
        return "is unlocked. Nothing was switched".to_owned();
    }
    format!("is unlocked. Nothing was switched. Not announced while it was locked: {}", open.join("; "))
}

/// In shadow mode, as it follows the machine's name.
fn would(decided: &Decided) -> String {
    let reason = match &decided.why {
        Why::Guard(reason) => *reason,
        Why::DeferralDue => return format!("would be off now, since it is idle: {}", grounds(decided)),
        Why::UnknownMachine(_)
        | Why::UnknownService(_)
        | Why::UnknownGroup(_)
        | Why::GroupNotAllowed
        | Why::NotByGroup(_)
        | Why::RequestNotAllowed
        | Why::MachineNotAllowed
        | Why::Malformed(_) => {
            let denied = denied(decided.request, None, true);
            return format!("{denied}: {} {}", decided.input, not_accepted(&decided.why));
        }
    };
    match reason {
        Reason::SwitchingOn => "would be on now".to_owned(),
        Reason::MachineIdle => format!("would be off now: {}", grounds(decided)),
        Reason::ForcedInWindow => "would be off now, forced".to_owned(),
        Reason::Emergency => "would be off and locked now".to_owned(),
        Reason::Locked => "would be locked now".to_owned(),
        Reason::Unlocked => "would be unlocked now, and nothing would be switched".to_owned(),
        Reason::LockLifted => format!("would still be locked by {}", against(decided, reason)),
        Reason::Serviced => "would count as serviced from now on".to_owned(),
        Reason::DeferralCancelled => "would not be switched off after all".to_owned(),
        Reason::KeepingOn => format!("would stay on: {}", grounds(decided)),
        Reason::KeepOnCancelled => "would no longer be kept on".to_owned(),
        Reason::MachineBusy | Reason::MachineUnknown | Reason::KeptOn => {
            format!("would have stayed on: {}", grounds(decided))
        }
        Reason::UntilIdle => format!("would have stayed on until it is idle: {}", grounds(decided)),
        Reason::NoticeRunning => {
            "would be switched off soon, since it is idle, unless somebody cancels".to_owned()
        }
        Reason::Lockout
        | Reason::MayNotForce
        | Reason::MayNotKeepOn
        | Reason::MayNotLock
        | Reason::MayNotUnlock
        | Reason::MayNotEmergency
        | Reason::MayNotService
        | Reason::LocksFull
        | Reason::OnNotFromHere
        | Reason::OnPermitMissing
        | Reason::CircuitFull
        | Reason::ContactPushed
        | Reason::NeverOff
        | Reason::OnlyWatched
        | Reason::OutOfHours => {
            format!("{}: {}", denied(decided.request, Some(reason), true), against(decided, reason))
        }
        Reason::AlreadyOn
        | Reason::AlreadyOff
        | Reason::AlreadySwitching
        | Reason::AlreadyLocked
        | Reason::NotLocked
        | Reason::NothingToCancel
        | Reason::Repeated
        | Reason::SameGesture
        | Reason::Retained
        | Reason::TooOld
        | Reason::Superseded
        | Reason::TooMany
        | Reason::Duplicate => format!("would have been left as it is: {}", reason_clause(reason)),
    }
}

/// What a refusal leaves undone, or would have left undone in shadow mode, as it follows the machine's name.
pub(super) fn denied(request: Option<RequestKind>, reason: Option<Reason>, shadow: bool) -> &'static str {
    let (was, would) = match request {
        Some(RequestKind::On) => NOT_ON,
        Some(RequestKind::Off | RequestKind::OffOnceIdle | RequestKind::EmergencyOff) => {
            ("was not switched off", "would not have been switched off")
        }
        Some(RequestKind::ForceOff) => ("was not forced off", "would not have been forced off"),
        Some(RequestKind::Flip) => match reason {
            Some(
                Reason::Lockout
                | Reason::OnNotFromHere
                | Reason::OnPermitMissing
                | Reason::CircuitFull
                | Reason::ContactPushed,
            ) => NOT_ON,
            Some(_) | None => ("was not switched", "would not have been switched"),
        },
        Some(RequestKind::Lock) => ("was not locked", "would not have been locked"),
        Some(RequestKind::Unlock) => ("was not unlocked", "would not have been unlocked"),
        Some(RequestKind::KeepOn) => ("was not kept on", "would not have been kept on"),
        Some(RequestKind::Serviced) => ("was not noted as serviced", "would not have been noted as serviced"),
        Some(RequestKind::Cancel) | None => ("was left as it is", "would have been left as it is"),
    };
    if shadow { would } else { was }
}

const NOT_ON: (&str, &str) = ("was not switched on", "would not have been switched on");

/// As it follows the input's name.
pub(super) fn not_accepted(why: &Why) -> String {
    match why {
        Why::Guard(reason) => reason_clause(*reason).to_owned(),
        Why::DeferralDue => "is idle".to_owned(),
        Why::UnknownMachine(said) => format!("named a machine that does not exist, {said}"),
        Why::UnknownService(said) => format!("named a service that its rules do not have, {said}"),
        Why::UnknownGroup(said) => format!("named a group that does not exist, {said}"),
        Why::GroupNotAllowed => "may not ask about any machine of this group".to_owned(),
        Why::NotByGroup(RequestKind::EmergencyOff) => {
            "asked a group for an emergency off, and nothing was switched; press a red button, or ask for it of each machine"
                .to_owned()
        }
        Why::NotByGroup(_) => {
            "asked a group for what only a single machine can be asked for; ask for each by itself".to_owned()
        }
        Why::RequestNotAllowed => "may not ask for that".to_owned(),
        Why::MachineNotAllowed => "may not ask about this machine".to_owned(),
        Why::Malformed(fault) => format!("was not understood: {fault}"),
    }
}

pub(super) const ONLY_WATCHED: &str = "it is only watched, and Idlegate has no way to switch it";

/// Whoever pressed a red button must not take the machine for cut.
pub(super) const ONLY_WATCHED_IN_EMERGENCY: &str =
    "it is only watched, and Idlegate has no way to switch it. Go there and switch it off by hand";

/// Why, as a clause of its own.
pub(super) fn reason_clause(reason: Reason) -> &'static str {
    match reason {
        Reason::SwitchingOn => "it is being switched on",
        Reason::MachineIdle => "it is idle",
        Reason::ForcedInWindow => "it is being forced off",
        Reason::Emergency => "there is an emergency",
        Reason::Locked => "it is now locked",
        Reason::Unlocked => "it is unlocked, and nothing was switched",
        Reason::LockLifted => "others still have a lock on it",
        Reason::Serviced => "it counts as serviced from now on",
        Reason::DeferralCancelled => "it will not be switched off after all",
        Reason::KeepingOn => "it stays on",
        Reason::KeepOnCancelled => "it is no longer kept on",
        Reason::AlreadyOn => "it is already on",
        Reason::AlreadyOff => "it is already off",
        Reason::AlreadySwitching => "it is already being switched",
        Reason::AlreadyLocked => "it is already locked",
        Reason::NotLocked => "it is not locked",
        Reason::NothingToCancel => "there is nothing to cancel",
        Reason::MachineBusy => "it is busy",
        Reason::MachineUnknown => "it may be busy",
        Reason::KeptOn => "somebody asked that it stay on",
        Reason::UntilIdle => "it stays on until it is idle",
        Reason::NoticeRunning => "it is idle and will be switched off soon, unless somebody cancels",
        Reason::Lockout => "it is locked; unlock it first",
        Reason::MayNotForce => "this input may not force it off",
        Reason::MayNotKeepOn => "this input may not keep it on, or take that back",
        Reason::MayNotLock => "this input may not lock it",
        Reason::MayNotUnlock => "this input may not unlock it",
        Reason::MayNotEmergency => "this input is not an emergency input; use one that is",
        Reason::MayNotService => "this input may not say that it was serviced",
        Reason::LocksFull => "it has as many locks as it can have; none of them is yours",
        Reason::OnNotFromHere => "it may not be switched on from here",
        Reason::OnPermitMissing => "not everything is ready for it to be switched on",
        Reason::CircuitFull => "its circuit cannot carry it as well",
        Reason::OutOfHours => "this input may not ask at this hour",
        Reason::ContactPushed => "an emergency contact is still pushed in",
        Reason::NeverOff => "its rules say that Idlegate never switches it off",
        Reason::OnlyWatched => ONLY_WATCHED,
        Reason::Repeated => "the same gesture again so soon counts only once",
        Reason::SameGesture => "that came too soon after the press to count as a second one",
        Reason::Retained => "an old message that the broker had stored was ignored",
        Reason::TooOld => "the request arrived too late and was ignored; ask again",
        Reason::Superseded => "something newer came in, so this request was dropped",
        Reason::TooMany => "too many requests came at once, and this one was ignored",
        Reason::Duplicate => "this request has already been answered",
    }
}

/// What stands against a request that was refused.
pub(super) fn against(decided: &Decided, reason: Reason) -> String {
    match &decided.against {
        _ if reason == Reason::OnPermitMissing => permit(decided),
        _ if reason == Reason::OnlyWatched && decided.request == Some(RequestKind::EmergencyOff) => {
            ONLY_WATCHED_IN_EMERGENCY.to_owned()
        }
        Some(against) => against.to_string(),
        None => reason_clause(reason).to_owned(),
    }
}

/// What stands against switching on.
fn permit(decided: &Decided) -> String {
    let against = |finding: &&Finding| finding.role == Role::PermitOn && finding.verdict != Verdict::Idle;
    let reasons: Vec<_> = decided.grounds.findings.iter().filter(against).map(|f| f.reason.clone()).collect();
    if reasons.is_empty() { reason_clause(Reason::OnPermitMissing).to_owned() } else { joined(&reasons) }
}

pub(super) fn grounds(decided: &Decided) -> String {
    if let Some(kept_on) = &decided.grounds.kept_on {
        return kept_on.to_string();
    }
    let idle = matches!(decided.decision, Decision::Acted);
    let counts =
        |finding: &&Finding| finding.role == Role::Hold && (idle || finding.verdict != Verdict::Idle);
    let mut reasons: Vec<_> =
        decided.grounds.findings.iter().filter(counts).map(|f| f.reason.clone()).collect();
    // Whoever forces is not told why others have to wait.
    let told = !idle || decided.grounds.state == Some(PermissiveState::Clear);
    reasons.extend(decided.grounds.silences.clone().filter(|_| told));
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
