//! The guard's rules, each in the sentence that answers "why was I answered like this?".

use idlegate_guard::Reason;

/// For the word of a reason as it stands in the journal; nothing for one that a later version wrote.
pub(super) fn rule(word: &str) -> Option<&'static str> {
    match word {
        "deferral-due" => {
            Some("Somebody had asked for it earlier; now it was idle for long enough, and nobody cancelled.")
        }
        "unknown-machine" => Some("The rules have no machine of that name."),
        "unknown-service" => Some("The machine has no service of that name."),
        "unknown-group" => Some("The rules have no group of that name."),
        "group-not-allowed" => Some("The rules do not let this input ask for any machine of this group."),
        "not-by-group" => Some(
            "A group is asked for off, off-once-idle and cancel; everything else is for one machine at a time.",
        ),
        "machine-not-allowed" => Some("The rules do not let this input ask for this machine."),
        "request-not-allowed" => Some("The rules do not let this input make this request."),
        "malformed" => Some("The message could not be read as a request."),
        word => Reason::ALL.into_iter().find(|reason| reason.word() == word).map(of_reason),
    }
}

const NEVER_OFF: &str =
    "The rules say that this machine stays on (never_off); only an emergency that is meant to cut it does.";
const ONLY_WATCHED: &str = "The rules say that this machine is only watched: its outlet takes no orders, so nobody can switch it through \
                            Idlegate, not even in an emergency.";

fn of_reason(reason: Reason) -> &'static str {
    match reason {
        Reason::SwitchingOn => "It is switched on when it is off, is not locked, and no rule forbids it.",
        Reason::MachineIdle => "It is switched off when every detector says idle, from fresh readings.",
        Reason::ForcedInWindow => {
            "Shortly after a request was held, the machine can be forced off, whatever its detectors say."
        }
        Reason::Emergency => "An emergency input always switches off, and locks the machine.",
        Reason::Locked => "A lock keeps Idlegate from switching the machine on; it cuts no power.",
        Reason::Unlocked => {
            "After an unlock the machine can be switched on again; the unlock itself switches nothing."
        }
        Reason::Serviced => "What was counted until this service begins again at nothing.",
        Reason::DeferralCancelled => "Somebody cancelled the switching off that was to come.",
        Reason::KeepingOn => "Until then the machine counts as busy, although it may look idle.",
        Reason::KeepOnCancelled => "From then on the machine was judged by its detectors again.",
        Reason::AlreadyOn | Reason::AlreadyOff | Reason::AlreadyLocked | Reason::NotLocked => {
            "It was already as asked."
        }
        Reason::AlreadySwitching => "The same order was already on its way.",
        Reason::NothingToCancel => "There was nothing to cancel.",
        Reason::MachineBusy => "A busy machine stays on, and for a short time it can be forced off.",
        Reason::MachineUnknown => {
            "A machine that is not known to be idle counts as busy: it stays on, and for a short time it can be forced off."
        }
        Reason::KeptOn => "Somebody had asked that it stay on; for a short time it can be forced off.",
        Reason::UntilIdle => {
            "Nobody waits at this input, or a whole group was asked: the machine is switched off later, once it is idle."
        }
        Reason::NoticeRunning => {
            "The machine is idle and will be switched off soon; until then anybody can cancel."
        }
        Reason::Lockout => "A locked machine cannot be switched on through Idlegate.",
        Reason::MayNotForce => "The rules do not let this input force the machine off.",
        Reason::MayNotKeepOn => "The rules do not let this input keep the machine on, or take that back.",
        Reason::MayNotLock => "The rules do not let this input lock.",
        Reason::LockLifted | Reason::MayNotUnlock => "Its owner lifts a lock, or an input that may unlock.",
        Reason::MayNotService => "The rules do not let this input say that the machine was serviced.",
        Reason::LocksFull => "A machine can have eight locks at once, besides an emergency's.",
        Reason::MayNotEmergency => "The rules do not declare this input an emergency input.",
        Reason::OnNotFromHere => {
            "The rules say from where this machine may be switched on, and this input is elsewhere."
        }
        Reason::OnPermitMissing => {
            "The rules set conditions for switching this machine on, and one was not met."
        }
        Reason::CircuitFull => "With this machine on, its circuit could carry more than its breaker allows.",
        Reason::OutOfHours => {
            "The rules let this input ask only at certain hours, and it was not one of them."
        }
        Reason::ContactPushed => {
            "While an emergency contact is pushed in, the machine is neither switched on nor unlocked."
        }
        Reason::NeverOff => NEVER_OFF,
        Reason::OnlyWatched => ONLY_WATCHED,
        Reason::Repeated => {
            "The same gesture again within two seconds or so counts once, as when somebody leans on a button."
        }
        Reason::SameGesture => {
            "Some buttons report one long press as two gestures, so the second counted as part of the first."
        }
        Reason::Retained => {
            "A message that the broker had stored may be from last week, so it does not count as a request."
        }
        Reason::TooOld => "It took too long to arrive, and whoever asked may no longer mean it.",
        Reason::Superseded => "Something newer came in before it was decided.",
        Reason::TooMany => "More gestures came at once than anybody can make.",
        Reason::Duplicate => "A request with the same id had already been answered.",
    }
}
