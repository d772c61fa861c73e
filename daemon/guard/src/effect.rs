//! What the guard wants done, as data. It does nothing itself.

use super::announcement::Announcement;
use super::input::{InputId, RequestId, RequestKind, Switch, Token};
use super::locks::Locks;
use crate::time::{Moment, Span};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[expect(clippy::large_enum_variant, reason = "a handful at a time, and a box would be no plain copy")]
pub enum Effect {
    /// The one answer to a request.
    Answer(Answer),
    /// Switch the outlet. Always absolute, never a toggle.
    Order(Order),
    /// Ask the outlet or its meter for fresh readings.
    Refresh,
    Announce(Announcement),
    Incident(Incident),
    /// What the incident told of is cured.
    IncidentOver(IncidentKind),
    /// What must survive a restart has changed; to be stored before the answer that follows is given.
    Keep(Kept),
    /// A deferral came due and acted; the order follows.
    DeferralActed(Deferral),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Answer {
    pub request: RequestId,
    pub kind: RequestKind,
    pub input: InputId,
    pub decision: Decision,
    pub reason: Reason,
    /// With it, whoever asked from afar can force the machine off for a while. For them alone.
    pub confirm: Option<Confirm>,
}

/// What lets somebody far away force a machine off that was just held for them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Confirm {
    pub token: Token,
    pub within: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Decision {
    Acted,
    NothingToDo,
    Held,
    Deferred,
    Refused,
    Ignored,
}

impl Decision {
    pub const ALL: [Decision; 6] = [
        Decision::Acted,
        Decision::NothingToDo,
        Decision::Held,
        Decision::Deferred,
        Decision::Refused,
        Decision::Ignored,
    ];

    pub const fn word(self) -> &'static str {
        match self {
            Decision::Acted => "acted",
            Decision::NothingToDo => "nothing-to-do",
            Decision::Held => "held",
            Decision::Deferred => "deferred",
            Decision::Refused => "refused",
            Decision::Ignored => "ignored",
        }
    }
}

/// Why a request was answered as it was. Every reason belongs to exactly one decision.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    // acted
    SwitchingOn,
    MachineIdle,
    ForcedInWindow,
    Emergency,
    Locked,
    Unlocked,
    /// Their own lock, and others still hold it.
    LockLifted,
    DeferralCancelled,
    KeepingOn,
    KeepOnCancelled,
    Serviced,
    // nothing-to-do
    AlreadyOn,
    AlreadyOff,
    AlreadySwitching,
    AlreadyLocked,
    NotLocked,
    NothingToCancel,
    // held
    MachineBusy,
    MachineUnknown,
    /// Somebody has asked that it stay on.
    KeptOn,
    // deferred
    UntilIdle,
    NoticeRunning,
    // refused
    Lockout,
    MayNotForce,
    MayNotKeepOn,
    MayNotLock,
    MayNotUnlock,
    MayNotEmergency,
    MayNotService,
    /// Nobody else has room for a lock of their own.
    LocksFull,
    OnNotFromHere,
    OnPermitMissing,
    CircuitFull,
    OutOfHours,
    /// An emergency contact is still pushed in.
    ContactPushed,
    /// The rules say that the machine stays on.
    NeverOff,
    /// There is no way to switch the machine.
    OnlyWatched,
    // ignored
    Repeated,
    SameGesture,
    Retained,
    TooOld,
    Superseded,
    TooMany,
    /// The sender's own id of the event has been answered before.
    Duplicate,
}

impl Reason {
    pub const ALL: [Reason; 44] = [
        Reason::SwitchingOn,
        Reason::MachineIdle,
        Reason::ForcedInWindow,
        Reason::Emergency,
        Reason::Locked,
        Reason::Unlocked,
        Reason::LockLifted,
        Reason::DeferralCancelled,
        Reason::KeepingOn,
        Reason::KeepOnCancelled,
        Reason::Serviced,
        Reason::AlreadyOn,
        Reason::AlreadyOff,
        Reason::AlreadySwitching,
        Reason::AlreadyLocked,
        Reason::NotLocked,
        Reason::NothingToCancel,
        Reason::MachineBusy,
        Reason::MachineUnknown,
        Reason::KeptOn,
        Reason::UntilIdle,
        Reason::NoticeRunning,
        Reason::Lockout,
        Reason::MayNotForce,
        Reason::MayNotKeepOn,
        Reason::MayNotLock,
        Reason::MayNotUnlock,
        Reason::MayNotEmergency,
        Reason::MayNotService,
        Reason::LocksFull,
        Reason::OnNotFromHere,
        Reason::OnPermitMissing,
        Reason::CircuitFull,
        Reason::OutOfHours,
        Reason::ContactPushed,
        Reason::NeverOff,
        Reason::OnlyWatched,
        Reason::Repeated,
        Reason::SameGesture,
        Reason::Retained,
        Reason::TooOld,
        Reason::Superseded,
        Reason::TooMany,
        Reason::Duplicate,
    ];

    /// The input may not ask for this, ever or at this hour.
    pub const fn is_lack_of_rights(self) -> bool {
        matches!(
            self,
            Reason::MayNotForce
                | Reason::MayNotKeepOn
                | Reason::MayNotLock
                | Reason::MayNotUnlock
                | Reason::MayNotEmergency
                | Reason::MayNotService
                | Reason::OutOfHours
        )
    }

    pub const fn decision(self) -> Decision {
        match self {
            Reason::SwitchingOn
            | Reason::MachineIdle
            | Reason::ForcedInWindow
            | Reason::Emergency
            | Reason::Locked
            | Reason::Unlocked
            | Reason::LockLifted
            | Reason::DeferralCancelled
            | Reason::KeepingOn
            | Reason::KeepOnCancelled
            | Reason::Serviced => Decision::Acted,
            Reason::AlreadyOn
            | Reason::AlreadyOff
            | Reason::AlreadySwitching
            | Reason::AlreadyLocked
            | Reason::NotLocked
            | Reason::NothingToCancel => Decision::NothingToDo,
            Reason::MachineBusy | Reason::MachineUnknown | Reason::KeptOn => Decision::Held,
            Reason::UntilIdle | Reason::NoticeRunning => Decision::Deferred,
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
            | Reason::OutOfHours
            | Reason::ContactPushed
            | Reason::NeverOff
            | Reason::OnlyWatched => Decision::Refused,
            Reason::Repeated
            | Reason::SameGesture
            | Reason::Retained
            | Reason::TooOld
            | Reason::Superseded
            | Reason::TooMany
            | Reason::Duplicate => Decision::Ignored,
        }
    }

    /// The word used in messages and the journal.
    pub const fn word(self) -> &'static str {
        match self {
            Reason::SwitchingOn => "switching-on",
            Reason::MachineIdle => "machine-idle",
            Reason::ForcedInWindow => "forced-in-window",
            Reason::Emergency => "emergency",
            Reason::Locked => "locked",
            Reason::Unlocked => "unlocked",
            Reason::LockLifted => "lock-lifted",
            Reason::DeferralCancelled => "deferral-cancelled",
            Reason::KeepingOn => "keeping-on",
            Reason::KeepOnCancelled => "keep-on-cancelled",
            Reason::Serviced => "serviced",
            Reason::AlreadyOn => "already-on",
            Reason::AlreadyOff => "already-off",
            Reason::AlreadySwitching => "already-switching",
            Reason::AlreadyLocked => "already-locked",
            Reason::NotLocked => "not-locked",
            Reason::NothingToCancel => "nothing-to-cancel",
            Reason::MachineBusy => "machine-busy",
            Reason::MachineUnknown => "machine-unknown",
            Reason::KeptOn => "kept-on",
            Reason::UntilIdle => "until-idle",
            Reason::NoticeRunning => "notice-running",
            Reason::Lockout => "lockout",
            Reason::MayNotForce => "may-not-force",
            Reason::MayNotKeepOn => "may-not-keep-on",
            Reason::MayNotLock => "may-not-lock",
            Reason::MayNotUnlock => "may-not-unlock",
            Reason::MayNotEmergency => "may-not-emergency",
            Reason::MayNotService => "may-not-service",
            Reason::LocksFull => "locks-full",
            Reason::OnNotFromHere => "on-not-from-here",
            Reason::OnPermitMissing => "on-permit-missing",
            Reason::CircuitFull => "circuit-full",
            Reason::OutOfHours => "out-of-hours",
            Reason::ContactPushed => "contact-pushed",
            Reason::NeverOff => "never-off",
            Reason::OnlyWatched => "only-watched",
            Reason::Repeated => "repeated",
            Reason::SameGesture => "same-gesture",
            Reason::Retained => "retained",
            Reason::TooOld => "too-old",
            Reason::Superseded => "superseded",
            Reason::TooMany => "too-many",
            Reason::Duplicate => "duplicate",
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Order {
    pub switch: Switch,
    pub cause: Cause,
    /// 0 for the first sending.
    pub resend: u8,
    /// Shadow mode: record it, do not send it.
    pub shadow: bool,
}

/// By what right an order is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// Asked for, and the permissive was clear (or the order is an on).
    Plain,
    /// Force-off inside the override window.
    Forced,
    Emergency,
}

impl Cause {
    pub const fn word(self) -> &'static str {
        match self {
            Cause::Plain => "plain",
            Cause::Forced => "forced",
            Cause::Emergency => "emergency",
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Incident {
    pub kind: IncidentKind,
    /// Somebody should look now.
    pub urgent: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum IncidentKind {
    /// The outlet went on by another route.
    OnByAnotherRoute,
    /// The outlet went off by another route.
    OffByAnotherRoute,
    /// An order was not confirmed by the outlet.
    NotConfirmed,
    /// The outlet says off, the meter says otherwise.
    StillDrawing,
}

impl IncidentKind {
    pub const ALL: [IncidentKind; 4] = [
        IncidentKind::OnByAnotherRoute,
        IncidentKind::OffByAnotherRoute,
        IncidentKind::NotConfirmed,
        IncidentKind::StillDrawing,
    ];

    pub const fn word(self) -> &'static str {
        match self {
            IncidentKind::OnByAnotherRoute => "on-by-another-route",
            IncidentKind::OffByAnotherRoute => "off-by-another-route",
            IncidentKind::NotConfirmed => "not-confirmed",
            IncidentKind::StillDrawing => "still-drawing",
        }
    }
}

/// What survives a restart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Kept {
    pub locks: Locks,
    pub deferral: Option<Deferral>,
    pub kept_on: Option<KeptOn>,
}

/// A standing wish to switch off as soon as the permissive holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Deferral {
    pub by: InputId,
    /// Given up from then on.
    pub expires_at: Moment,
}

/// Somebody's word that the machine stays on although it looks idle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct KeptOn {
    pub by: InputId,
    /// From then on it is judged by itself again.
    pub until: Moment,
}
