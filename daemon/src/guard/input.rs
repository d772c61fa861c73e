//! What the guard is told: requests, permissives, outlet reports and the passing of time.

use super::policy::Rights;
use crate::time::{Moment, Span};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Input {
    Request(Request),
    Permissive(Permissive),
    /// Whether the machine's permit for switching on is given; asked only where the policy wants one.
    OnPermit(bool),
    /// Whether the machine's branch circuit has room for it.
    CircuitRoom(bool),
    Outlet(OutletReport),
    Draw(DrawReport),
    /// The link to the broker came up or went down.
    Link(bool),
    /// A deadline has come.
    Tick,
}

/// Numbers requests within one run of the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RequestId(pub u64);

/// Stands for an input's name; the engine knows which.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct InputId(pub u16);

impl InputId {
    /// The guard's own wish, when a machine has been idle for long.
    pub const IDLE_TIMER: InputId = InputId(0);
}

/// Stands for a gesture's name; the engine knows which.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct GestureId(pub u16);

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Request {
    pub id: RequestId,
    pub kind: RequestKind,
    pub input: InputId,
    pub gesture: GestureId,
    pub rights: Rights,
    pub arrival: Arrival,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RequestKind {
    On,
    Off,
    Flip,
    ForceOff,
    OffOnceIdle,
    Cancel,
    Lock,
    Unlock,
    EmergencyOff,
}

impl RequestKind {
    pub const ALL: [RequestKind; 9] = [
        RequestKind::On,
        RequestKind::Off,
        RequestKind::Flip,
        RequestKind::ForceOff,
        RequestKind::OffOnceIdle,
        RequestKind::Cancel,
        RequestKind::Lock,
        RequestKind::Unlock,
        RequestKind::EmergencyOff,
    ];

    /// The word used in rules, messages and documents.
    pub const fn word(self) -> &'static str {
        match self {
            RequestKind::On => "on",
            RequestKind::Off => "off",
            RequestKind::Flip => "flip",
            RequestKind::ForceOff => "force-off",
            RequestKind::OffOnceIdle => "off-once-idle",
            RequestKind::Cancel => "cancel",
            RequestKind::Lock => "lock",
            RequestKind::Unlock => "unlock",
            RequestKind::EmergencyOff => "emergency-off",
        }
    }

    /// Whether an input's hours limit it. The forced way out and the emergency are never a matter of the hour, nor is
    /// what leaves a machine as it is.
    pub const fn has_hours(self) -> bool {
        match self {
            RequestKind::On
            | RequestKind::Off
            | RequestKind::Flip
            | RequestKind::OffOnceIdle
            | RequestKind::Unlock => true,
            RequestKind::ForceOff | RequestKind::Cancel | RequestKind::Lock | RequestKind::EmergencyOff => {
                false
            }
        }
    }

    pub fn from_word(word: &str) -> Option<RequestKind> {
        RequestKind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// What is known of a request's way here.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Arrival {
    /// It came from the broker's store, or asked to be stored: nobody may be standing behind it.
    pub retained: bool,
    /// The longest time it may have waited.
    pub age: Span,
}

impl Arrival {
    pub const LIVE: Arrival = Arrival { retained: false, age: Span::ZERO };
}

/// The merged condition that must hold before power may be cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Permissive {
    pub state: PermissiveState,
    /// When the detectors were asked. An older permissive never replaces a newer one.
    pub assessed_at: Moment,
    /// The time of the oldest reading it rests on, among those that the outlet can be asked to renew.
    pub as_of: Moment,
    /// From then on a needed reading is stale, and the permissive unknown.
    pub valid_until: Moment,
    /// When the oldest reading came in that a detector has not looked at yet.
    pub unseen_since: Option<Moment>,
    /// A lower bound of the time until it may be clear.
    pub clears_in: Option<Span>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PermissiveState {
    Clear,
    Busy,
    Unknown,
}

impl Permissive {
    /// Nothing has been read yet.
    pub const UNKNOWN: Permissive = Permissive {
        state: PermissiveState::Unknown,
        assessed_at: Moment(0),
        as_of: Moment(0),
        valid_until: Moment(0),
        unseen_since: None,
        clears_in: None,
    };

    /// What it is worth at `now`: once a needed reading has gone stale, nothing.
    pub fn at(&self, now: Moment) -> PermissiveState {
        if now >= self.valid_until { PermissiveState::Unknown } else { self.state }
    }

    /// Whether detectors have looked at everything that had come in by `moment`.
    pub fn covers(&self, moment: Moment) -> bool {
        self.unseen_since.is_none_or(|unseen| unseen > moment)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct OutletReport {
    /// Nothing when the outlet cannot be reached or says something that is neither on nor off.
    pub state: Option<Switch>,
    /// An older report never replaces a newer one.
    pub at: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Switch {
    On,
    Off,
}

impl Switch {
    pub const fn word(self) -> &'static str {
        match self {
            Switch::On => "on",
            Switch::Off => "off",
        }
    }
}

/// Whether the machine draws more than a switched-off one can.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct DrawReport {
    pub residual: bool,
    pub at: Moment,
}
