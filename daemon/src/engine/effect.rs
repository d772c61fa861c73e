//! What the engine wants done, as data, with everything a person or a journal may want to know about it.

use std::sync::Arc;

use bytes::Bytes;

use crate::energy::HalfHour;
use crate::event::{Name, Reading, Verdict};
use crate::guard::{self, Announcement, Cause, PermissiveState, RequestKind, Switch};
use crate::kept::KeptState;
use crate::plan::{ModuleSource, Role};
use crate::time::{Now, Span};

#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    Order(Order),
    /// Ask the outlet of this machine for fresh readings.
    Refresh {
        machine: usize,
    },
    Decided(Box<Decided>),
    Announce(Box<Announced>),
    Incident(IncidentTold),
    IncidentOver(IncidentTold),
    /// To be stored before a decision that follows with `after_keep` is answered.
    Keep(KeptMachine),
    /// What people see of this machine has changed.
    Status {
        machine: usize,
    },
    Install(Install),
    Remove {
        machine: Name,
        detector: usize,
    },
    Feed(Feed),
    /// A message on a topic of ours that was neither a reading nor a request.
    Rejected(Rejected),
    /// Somebody who names machines in words of their own was not understood, and should hear so.
    NotUnderstood(NotUnderstood),
    /// Something that is on record for later, and for nobody to hear.
    Noted(Noted),
    /// Several outlets were lost at once, or all of them are back.
    OutletsLost(OutletsLost),
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    /// By index into the plan.
    pub machine: usize,
    pub name: Name,
    pub switch: Switch,
    pub cause: Cause,
    pub resend: u8,
    pub shadow: bool,
}

/// One decision, and what it rested on.
#[derive(Clone, Debug, PartialEq)]
pub struct Decided {
    pub at: Now,
    pub machine: Option<Name>,
    pub title: Option<Arc<str>>,
    pub input: Name,
    pub gesture: Option<Name>,
    /// Nothing where the request could not even be read.
    pub request: Option<RequestKind>,
    /// The sender's own id of the event.
    pub event_id: Option<Arc<str>>,
    pub decision: guard::Decision,
    pub why: Why,
    /// What stands against it, in numbers, where the reason's word does not say it all.
    pub against: Option<Arc<str>>,
    pub grounds: Grounds,
    pub reply: Option<Reply>,
    /// Its answer waits until what was kept is on disk.
    pub after_keep: bool,
    /// SHA-256 of the rules it was made under.
    pub rules: Arc<str>,
}

impl Decided {
    /// The id by which a request that comes again is known from now on. Not an emergency's, which is never taken for an old one;
    /// nor that of a request which may be allowed the next time; and a repetition prolongs nothing.
    pub fn answered_id(&self) -> Option<&Arc<str>> {
        let counts = match (&self.why, self.request) {
            (Why::Guard(guard::Reason::Duplicate), _) | (_, Some(RequestKind::EmergencyOff)) => false,
            (Why::Guard(_) | Why::DeferralDue, _) => true,
            (
                Why::UnknownMachine(_) | Why::MachineNotAllowed | Why::RequestNotAllowed | Why::Malformed(_),
                _,
            ) => false,
        };
        self.event_id.as_ref().filter(|_| counts)
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Why {
    Guard(guard::Reason),
    /// A deferral came due.
    DeferralDue,
    /// What was said, and what may have been meant.
    UnknownMachine(String),
    /// This input may not ask for this machine.
    MachineNotAllowed,
    /// This input may not make this request.
    RequestNotAllowed,
    /// The request could not be understood.
    Malformed(String),
}

impl Why {
    pub fn word(&self) -> &'static str {
        match self {
            Why::Guard(reason) => reason.word(),
            Why::DeferralDue => "deferral-due",
            Why::UnknownMachine(_) => "unknown-machine",
            Why::MachineNotAllowed => "machine-not-allowed",
            Why::RequestNotAllowed => "request-not-allowed",
            Why::Malformed(_) => "malformed",
        }
    }
}

/// The facts behind a decision.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Grounds {
    pub state: Option<PermissiveState>,
    pub outlet: Option<Switch>,
    pub findings: Vec<Finding>,
}

/// What one detector had said.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    pub detector: Name,
    pub verdict: Verdict,
    pub reason: Arc<str>,
    pub role: Role,
    pub clears_in: Option<Span>,
    /// Signal, unit, reading and its age at the time.
    pub readings: Vec<(Name, Arc<str>, Reading, Span)>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    pub topic: Arc<str>,
    pub correlation: Option<Bytes>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Announced {
    pub at: Now,
    pub machine: Name,
    pub title: Arc<str>,
    pub what: guard::Announcement,
    /// Name and title of the input it speaks of.
    pub input: Option<(Name, Arc<str>)>,
    /// What the detectors say, or what stands against it, most telling first: "118 W, busy above 40 W".
    pub reasons: Vec<Arc<str>>,
    pub behind: Option<Behind>,
    /// How the person it speaks to can force the machine off: "hold the button down".
    pub how: Option<Arc<str>>,
    pub clears_in: Option<Span>,
}

impl Announced {
    /// How long the person it speaks to has, to force it off or to cancel.
    pub fn window(&self) -> Option<Span> {
        match self.what {
            Announcement::Held { window, may_force: true, .. } => Some(window),
            Announcement::DeferralNotice { acts_in, .. } => Some(acts_in),
            Announcement::Held { may_force: false, .. }
            | Announcement::WindowOver
            | Announcement::Forced { .. }
            | Announcement::EmergencyOff { .. }
            | Announcement::Locked { .. }
            | Announcement::Unlocked { .. }
            | Announcement::Refused { .. }
            | Announcement::EmergencyIgnored { .. }
            | Announcement::EmergencyTooOld { .. }
            | Announcement::Deferred { .. }
            | Announcement::DeferralCancelled { .. }
            | Announcement::DeferralBusyAgain
            | Announcement::DeferralExpired
            | Announcement::OffAbandoned
            | Announcement::StuckInput { .. } => None,
        }
    }

    /// Somebody should look now: there is an emergency, or somebody thought so and was not obeyed.
    pub fn is_urgent(&self) -> bool {
        match self.what {
            Announcement::EmergencyOff { .. }
            | Announcement::EmergencyIgnored { .. }
            | Announcement::EmergencyTooOld { .. } => true,
            Announcement::Refused { kind, .. } => kind == RequestKind::EmergencyOff,
            Announcement::Held { .. }
            | Announcement::WindowOver
            | Announcement::Forced { .. }
            | Announcement::Locked { .. }
            | Announcement::Unlocked { .. }
            | Announcement::Deferred { .. }
            | Announcement::DeferralCancelled { .. }
            | Announcement::DeferralNotice { .. }
            | Announcement::DeferralBusyAgain
            | Announcement::DeferralExpired
            | Announcement::OffAbandoned
            | Announcement::StuckInput { .. } => false,
        }
    }
}

/// The detector whose word counted, piece by piece.
#[derive(Clone, Debug, PartialEq)]
pub struct Behind {
    pub detector: Name,
    /// A JSON object.
    pub settings: serde_json::Value,
    /// The first signal that it reads.
    pub signal: Option<Name>,
    /// The value of that, with its unit: "455 W". None where it is not known.
    pub reading: Option<Arc<str>>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct IncidentTold {
    pub at: Now,
    pub machine: Name,
    pub title: Arc<str>,
    pub kind: guard::IncidentKind,
    pub urgent: bool,
    pub reasons: Vec<Arc<str>>,
    pub behind: Option<Behind>,
    /// It is over only because the machine is being switched once more.
    pub retried: bool,
}

/// What must survive a restart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptMachine {
    pub machine: Name,
    pub state: KeptState,
}

/// A detector to be loaded for a machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Install {
    pub machine: Name,
    pub detector: usize,
    pub generation: u64,
    pub module: ModuleSource,
    pub settings: serde_json::Value,
    /// The machine's signal behind each signal the detector declares.
    pub signals: Vec<Option<Name>>,
}

/// Readings on their way into a detector, and the time it is to be asked about.
#[derive(Clone, Debug, PartialEq)]
pub struct Feed {
    pub machine: Name,
    pub detector: usize,
    pub generation: u64,
    pub feed: u64,
    /// By index into the signals the detector declares.
    pub readings: Vec<(u32, Reading)>,
    pub assess_at: crate::time::Moment,
}

/// What a machine did, for the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct Noted {
    pub at: Now,
    pub machine: Name,
    pub what: Note,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Note {
    Outlet(Option<Switch>),
    /// What the detectors say together, and why.
    State(PermissiveState, Vec<Arc<str>>),
    Energy(Box<HalfHour>),
}

/// An incident of the shop as a whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutletsLost {
    pub at: Now,
    /// Names and titles.
    pub machines: Vec<(Name, Arc<str>)>,
    /// One of them may have been working.
    pub urgent: bool,
    pub over: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotUnderstood {
    pub at: Now,
    /// Name and title.
    pub input: (Name, Arc<str>),
    pub why: Why,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rejected {
    pub at: Now,
    pub topic: Arc<str>,
    pub fault: String,
    /// Whether it came on an input's topic, and so might have been meant as a request.
    pub input: Option<Name>,
}
