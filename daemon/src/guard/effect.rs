//! What the guard wants done, as data. It does nothing itself.

use super::input::{InputId, RequestId, RequestKind, Switch};
use crate::time::{Moment, Span};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
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
    DeferralCancelled,
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
    // deferred
    UntilIdle,
    NoticeRunning,
    // refused
    Lockout,
    MayNotForce,
    MayNotLock,
    MayNotUnlock,
    MayNotEmergency,
    RemoteOnForbidden,
    OnPermitMissing,
    CircuitFull,
    OutOfHours,
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
    pub const ALL: [Reason; 33] = [
        Reason::SwitchingOn,
        Reason::MachineIdle,
        Reason::ForcedInWindow,
        Reason::Emergency,
        Reason::Locked,
        Reason::Unlocked,
        Reason::DeferralCancelled,
        Reason::AlreadyOn,
        Reason::AlreadyOff,
        Reason::AlreadySwitching,
        Reason::AlreadyLocked,
        Reason::NotLocked,
        Reason::NothingToCancel,
        Reason::MachineBusy,
        Reason::MachineUnknown,
        Reason::UntilIdle,
        Reason::NoticeRunning,
        Reason::Lockout,
        Reason::MayNotForce,
        Reason::MayNotLock,
        Reason::MayNotUnlock,
        Reason::MayNotEmergency,
        Reason::RemoteOnForbidden,
        Reason::OnPermitMissing,
        Reason::CircuitFull,
        Reason::OutOfHours,
        Reason::Repeated,
        Reason::SameGesture,
        Reason::Retained,
        Reason::TooOld,
        Reason::Superseded,
        Reason::TooMany,
        Reason::Duplicate,
    ];

    pub const fn decision(self) -> Decision {
        match self {
            Reason::SwitchingOn
            | Reason::MachineIdle
            | Reason::ForcedInWindow
            | Reason::Emergency
            | Reason::Locked
            | Reason::Unlocked
            | Reason::DeferralCancelled => Decision::Acted,
            Reason::AlreadyOn
            | Reason::AlreadyOff
            | Reason::AlreadySwitching
            | Reason::AlreadyLocked
            | Reason::NotLocked
            | Reason::NothingToCancel => Decision::NothingToDo,
            Reason::MachineBusy | Reason::MachineUnknown => Decision::Held,
            Reason::UntilIdle | Reason::NoticeRunning => Decision::Deferred,
            Reason::Lockout
            | Reason::MayNotForce
            | Reason::MayNotLock
            | Reason::MayNotUnlock
            | Reason::MayNotEmergency
            | Reason::RemoteOnForbidden
            | Reason::OnPermitMissing
            | Reason::CircuitFull
            | Reason::OutOfHours => Decision::Refused,
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
            Reason::DeferralCancelled => "deferral-cancelled",
            Reason::AlreadyOn => "already-on",
            Reason::AlreadyOff => "already-off",
            Reason::AlreadySwitching => "already-switching",
            Reason::AlreadyLocked => "already-locked",
            Reason::NotLocked => "not-locked",
            Reason::NothingToCancel => "nothing-to-cancel",
            Reason::MachineBusy => "machine-busy",
            Reason::MachineUnknown => "machine-unknown",
            Reason::UntilIdle => "until-idle",
            Reason::NoticeRunning => "notice-running",
            Reason::Lockout => "lockout",
            Reason::MayNotForce => "may-not-force",
            Reason::MayNotLock => "may-not-lock",
            Reason::MayNotUnlock => "may-not-unlock",
            Reason::MayNotEmergency => "may-not-emergency",
            Reason::RemoteOnForbidden => "remote-on-forbidden",
            Reason::OnPermitMissing => "on-permit-missing",
            Reason::CircuitFull => "circuit-full",
            Reason::OutOfHours => "out-of-hours",
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

/// Something to tell people. The words are made elsewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Announcement {
    Held {
        input: InputId,
        reason: Reason,
        window: Span,
        may_force: bool,
    },
    /// The window closed without a force.
    WindowOver,
    Forced {
        input: InputId,
    },
    EmergencyOff {
        input: InputId,
    },
    Locked {
        input: InputId,
    },
    Unlocked {
        input: InputId,
    },
    Refused {
        input: InputId,
        kind: RequestKind,
        reason: Reason,
    },
    /// An emergency-off came out of the broker's store, where no hand can be behind it.
    EmergencyIgnored {
        input: InputId,
    },
    /// An emergency-off came so late that it is of another day.
    EmergencyTooOld {
        input: InputId,
    },
    Deferred {
        input: InputId,
    },
    DeferralCancelled {
        input: Option<InputId>,
    },
    DeferralNotice {
        input: InputId,
        acts_in: Span,
    },
    DeferralBusyAgain,
    DeferralExpired,
    /// The machine became busy before a lost off order could be sent again.
    OffAbandoned,
    StuckInput {
        input: InputId,
    },
}

impl Announcement {
    /// The word used in messages and for sentences of one's own in the rules.
    pub const fn word(self) -> &'static str {
        match self {
            Announcement::Held { .. } => "held",
            Announcement::WindowOver => "window-over",
            Announcement::Forced { .. } => "forced",
            Announcement::EmergencyOff { .. } => "emergency-off",
            Announcement::Locked { .. } => "locked",
            Announcement::Unlocked { .. } => "unlocked",
            Announcement::Refused { .. } => "refused",
            Announcement::EmergencyIgnored { .. } => "emergency-ignored",
            Announcement::EmergencyTooOld { .. } => "emergency-too-old",
            Announcement::Deferred { .. } => "deferred",
            Announcement::DeferralCancelled { .. } => "deferral-cancelled",
            Announcement::DeferralNotice { .. } => "deferral-notice",
            Announcement::DeferralBusyAgain => "deferral-busy-again",
            Announcement::DeferralExpired => "deferral-expired",
            Announcement::OffAbandoned => "off-abandoned",
            Announcement::StuckInput { .. } => "stuck-input",
        }
    }

    /// The input it speaks of.
    pub const fn input(self) -> Option<InputId> {
        match self {
            Announcement::Held { input, .. }
            | Announcement::Forced { input }
            | Announcement::EmergencyOff { input }
            | Announcement::Locked { input }
            | Announcement::Unlocked { input }
            | Announcement::Refused { input, .. }
            | Announcement::EmergencyIgnored { input }
            | Announcement::EmergencyTooOld { input }
            | Announcement::Deferred { input }
            | Announcement::DeferralNotice { input, .. }
            | Announcement::StuckInput { input } => Some(input),
            Announcement::DeferralCancelled { input } => input,
            Announcement::WindowOver
            | Announcement::DeferralBusyAgain
            | Announcement::DeferralExpired
            | Announcement::OffAbandoned => None,
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
    pub lockout: Option<Lockout>,
    pub deferral: Option<Deferral>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Lockout {
    pub by: InputId,
    pub emergency: bool,
}

/// A standing wish to switch off as soon as the permissive holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Deferral {
    pub by: InputId,
    /// Given up from then on.
    pub expires_at: Moment,
}
