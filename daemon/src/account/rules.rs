//! The guard's rules, each in the sentence that answers "why was I answered like this?".

use crate::guard::Reason;

/// For the word of a reason as it stands in the journal; nothing for one that a later version wrote.
pub(super) fn rule(word: &str) -> Option<&'static str> {
    match word {
        "deferral-due" => Some(
            "Somebody had wished for it earlier: it was idle for long enough, and nobody cancelled the notice.",
        ),
        "unknown-machine" => Some("No machine of the rules is called that."),
        "machine-not-allowed" => Some("The rules do not let this input ask for this machine."),
        "request-not-allowed" => Some("The rules do not let this input make this request."),
        "malformed" => Some("The message could not be read as a request."),
        word => Reason::ALL.into_iter().find(|reason| reason.word() == word).map(of_reason),
    }
}

fn of_reason(reason: Reason) -> &'static str {
    match reason {
        Reason::SwitchingOn => "An on is obeyed when the machine is off, not locked, and nothing forbids it.",
        Reason::MachineIdle => "An off is obeyed when every detector says idle, on readings that are fresh.",
        Reason::ForcedInWindow => {
            "A force inside the window that a held request opened is obeyed, whatever is read."
        }
        Reason::Emergency => "An emergency input switches off whatever the state, and locks the machine.",
        Reason::Locked => "A lock forbids switching on from afar; it cuts no power.",
        Reason::Unlocked => "An unlock allows switching on again; it switches nothing on.",
        Reason::DeferralCancelled => "Somebody cancelled what was to happen later.",
        Reason::AlreadyOn | Reason::AlreadyOff | Reason::AlreadyLocked | Reason::NotLocked => {
            "It was as it was asked to be."
        }
        Reason::AlreadySwitching => "The same order was on its way already.",
        Reason::NothingToCancel => "Nothing was to happen later.",
        Reason::MachineBusy => "An off of a working machine is held, and the window to force it opens.",
        Reason::MachineUnknown => {
            "Whatever is not known counts as busy: the off is held, and the window to force it opens."
        }
        Reason::UntilIdle => {
            "This input does not stand beside the machine, so its off waits until the machine is idle."
        }
        Reason::NoticeRunning => "The machine is idle: people are given notice, and can cancel.",
        Reason::Lockout => "Under a lock nothing is switched on from afar.",
        Reason::MayNotForce => "The rules do not let this input force.",
        Reason::MayNotLock => "The rules do not let this input lock.",
        Reason::MayNotUnlock => "The rules do not let this input unlock.",
        Reason::MayNotEmergency => "The rules do not declare this input an emergency input.",
        Reason::RemoteOnForbidden => "The rules let this machine be switched on by hand only.",
        Reason::OnPermitMissing => "The rules name conditions for switching on, and one does not hold.",
        Reason::CircuitFull => "With this machine on, its circuit would bear more than its breaker does.",
        Reason::OutOfHours => "The rules give this input hours, and it was outside of them.",
        Reason::Repeated => {
            "The same gesture again within two seconds or so is one gesture, as when a button is leaned on."
        }
        Reason::SameGesture => {
            "Some buttons report one long press as two gestures; the second belongs to the first."
        }
        Reason::Retained => "What the broker has stored may be from last week, so it is no request.",
        Reason::TooOld => "What was asked long ago may no longer be meant.",
        Reason::Superseded => "Something newer came before it was decided.",
        Reason::TooMany => "More gestures came at once than anybody makes.",
        Reason::Duplicate => "The sender's number for it had been answered before.",
    }
}
