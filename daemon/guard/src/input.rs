//! What the guard is told: requests, permissives, outlet reports and the passing of time.

use super::effect::Reason;
use super::locks::Person;
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
    Contact(ContactReport),
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
    /// Of a lock or unlock: whose it is. Of anything else nobody, so that a new name is no second gesture.
    pub person: Person,
    pub gesture: GestureId,
    pub rights: Rights,
    pub arrival: Arrival,
    /// How long a keep-on is meant for, where it says so.
    pub keep_for: Option<Span>,
    /// From afar: the token that its answer gives, should it be held. Chance is not the guard's business, so it is
    /// handed in.
    pub offer: Option<Token>,
    /// From afar: the token that it brings from an earlier answer.
    pub confirm: Option<Token>,
}

/// Proves to have been told that a machine is held. It stands in the held answer and nowhere else.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Token(pub u64);

impl core::fmt::Debug for Token {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("(hidden)")
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RequestKind {
    On,
    Off,
    Flip,
    ForceOff,
    OffOnceIdle,
    Cancel,
    KeepOn,
    Lock,
    Unlock,
    /// Something has been done to the machine that is due again after a while. Nothing is switched.
    Serviced,
    EmergencyOff,
}

impl RequestKind {
    pub const ALL: [RequestKind; 11] = [
        RequestKind::On,
        RequestKind::Off,
        RequestKind::Flip,
        RequestKind::ForceOff,
        RequestKind::OffOnceIdle,
        RequestKind::Cancel,
        RequestKind::KeepOn,
        RequestKind::Lock,
        RequestKind::Unlock,
        RequestKind::Serviced,
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
            RequestKind::KeepOn => "keep-on",
            RequestKind::Lock => "lock",
            RequestKind::Unlock => "unlock",
            RequestKind::Serviced => "serviced",
            RequestKind::EmergencyOff => "emergency-off",
        }
    }

    /// Whether an input's hours limit it. The forced way out and the emergency are never a matter of the hour, nor is
    /// what leaves a machine as it is.
    pub(crate) const fn has_hours(self) -> bool {
        match self {
            RequestKind::On
            | RequestKind::Off
            | RequestKind::Flip
            | RequestKind::OffOnceIdle
            | RequestKind::Unlock => true,
            RequestKind::ForceOff
            | RequestKind::Cancel
            | RequestKind::KeepOn
            | RequestKind::Lock
            | RequestKind::Serviced
            | RequestKind::EmergencyOff => false,
        }
    }

    /// Why an input with these rights may not ask for it, if it may not.
    pub const fn denied_by(self, rights: Rights) -> Option<Reason> {
        if rights.out_of_hours && self.has_hours() {
            return Some(Reason::OutOfHours);
        }
        match self {
            RequestKind::ForceOff if !rights.may_force => Some(Reason::MayNotForce),
            RequestKind::KeepOn if !rights.may_keep_on => Some(Reason::MayNotKeepOn),
            RequestKind::Lock if !rights.may_lock => Some(Reason::MayNotLock),
            // Whoever may lock lifts their own lock.
            RequestKind::Unlock if !rights.may_unlock && !rights.may_lock => Some(Reason::MayNotUnlock),
            RequestKind::Serviced if !rights.may_service => Some(Reason::MayNotService),
            RequestKind::EmergencyOff if !rights.emergency => Some(Reason::MayNotEmergency),
            RequestKind::On
            | RequestKind::Off
            | RequestKind::Flip
            | RequestKind::ForceOff
            | RequestKind::OffOnceIdle
            | RequestKind::Cancel
            | RequestKind::KeepOn
            | RequestKind::Lock
            | RequestKind::Unlock
            | RequestKind::Serviced
            | RequestKind::EmergencyOff => None,
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
    /// Busy by caution alone: every detector says idle, and the host holds the machine longer than they ask for. A
    /// force need not wait for that.
    pub cautious: bool,
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
        cautious: false,
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

/// How the machine's emergency contacts stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ContactReport {
    /// One that is pushed in, if any is.
    pub pushed: Option<InputId>,
    /// It was found so: nobody saw it being pushed.
    pub found: bool,
}

/// Whether the machine draws more than a switched-off one can.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct DrawReport {
    pub residual: bool,
    pub at: Moment,
}
