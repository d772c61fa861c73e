//! What the engine wants done, as data, with everything a person or a journal may want to know about it.

use std::sync::Arc;

use bytes::Bytes;

use crate::blind::BlindSpotsTold;
use crate::energy::Metered;
use crate::groups::GroupAnswered;
use crate::jobs::JobOver;
use crate::services::ServiceStatus;
use crate::silences::counted::Counted;
use crate::subject::Subject;
use idlegate_guard::time::{Now, Span, WallTime};
use idlegate_guard::{self as guard, Cause, PermissiveState, RequestKind, Switch};
use idlegate_plan::event::{DetectorId, Feed, Install, Name, Reading, Verdict};
use idlegate_plan::kept::KeptState;
use idlegate_plan::{Role, SignalIx};

#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    Order(Order),
    /// Ask the outlet of this machine for fresh readings, or the meter of this signal.
    Refresh {
        machine: Name,
        signal: Option<SignalIx>,
    },
    Decided(Box<Decided>),
    /// What became of a request to a group. The decisions on its machines have come before.
    GroupAnswered(Box<GroupAnswered>),
    Announce(Box<Announced>),
    Incident(IncidentTold),
    IncidentOver(IncidentTold),
    /// A job is over: its record, and what is kept of its machine from then on, to be stored in one piece.
    JobEnded(Box<JobEnded>),
    /// To be stored before a decision that follows with `after_keep` is answered.
    Keep(KeptMachine),
    /// What people see of this machine has changed.
    Status {
        machine: Name,
    },
    Install(Install),
    Remove(DetectorId),
    Feed(Feed),
    /// A message on a topic of ours that was neither a reading nor a request.
    Rejected(Rejected),
    /// Somebody wanted an answer where none may go.
    AnswerWithheld(AnswerWithheld),
    /// Somebody who names machines in words of their own was not understood, and should hear so.
    NotUnderstood(NotUnderstood),
    /// Something that is on record for later, and for nobody to hear.
    Noted(Noted),
    /// An emergency contact says neither that it is pushed nor that it is released, or does so again.
    ContactUnclear(ContactUnclear),
    /// Several outlets were lost at once, or all of them are back.
    OutletsLost(OutletsLost),
    /// Somebody else sent an order to a guarded outlet, or does so no more.
    ForeignOrder(ForeignOrder),
    /// A detector gives no answer, or does so again.
    DetectorStopped(DetectorStopped),
    /// People are warned of something about a machine, or no longer. Nothing is held or switched by it.
    Warned(Warned),
    /// Something cannot be seen, or can again.
    Blind(BlindSpotsTold),
    /// Something that is wrong with the shop as a whole, or is no more.
    ShopIncident(ShopIncident),
    /// A machine has worked for so long that something is to be done to it.
    ServiceDue(ServiceDue),
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    pub machine: Name,
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
    /// It was asked together with others.
    pub group: Option<Name>,
    /// Nothing where the request could not even be read.
    pub request: Option<RequestKind>,
    /// The sender's own id of the event.
    pub event_id: Option<Arc<str>>,
    pub decision: guard::Decision,
    pub why: Why,
    /// How many requests it answers: more than one only where a flood of the same ones is answered together.
    pub count: u64,
    /// What stands against it, in numbers, where the reason's word does not say it all.
    pub against: Option<Arc<str>>,
    pub grounds: Grounds,
    pub reply: Option<Reply>,
    /// Who asked, by the sender's word: shown, and never believed.
    pub who: Option<Arc<str>>,
    /// For whoever asked alone: what lets them force the machine off from afar, and for how long.
    pub confirm: Option<guard::Confirm>,
    /// Its answer waits until what was kept is on disk.
    pub after_keep: bool,
    /// In shadow mode: nothing is done about it.
    pub shadow: bool,
    /// SHA-256 of the rules it was made under.
    pub rules: Arc<str>,
}

impl Decided {
    /// The one way to make one. What else is known of it is added by whoever knows it.
    pub(crate) fn new(
        at: Now,
        input: Name,
        decision: guard::Decision,
        why: Why,
        rules: &Arc<str>,
    ) -> Decided {
        Decided {
            at,
            machine: None,
            title: None,
            input,
            gesture: None,
            group: None,
            request: None,
            event_id: None,
            decision,
            why,
            count: 1,
            against: None,
            grounds: Grounds::default(),
            reply: None,
            who: None,
            confirm: None,
            after_keep: false,
            shadow: false,
            rules: rules.clone(),
        }
    }

    /// The id by which a request that comes again is known from now on. Not an emergency's, which is never taken for an
    /// old one; nor that of a request which may be allowed the next time; and a repetition prolongs nothing.
    pub fn answered_id(&self) -> Option<&Arc<str>> {
        let counts = match (&self.why, self.request) {
            (Why::Guard(guard::Reason::Duplicate), _) | (_, Some(RequestKind::EmergencyOff)) => false,
            (Why::Guard(reason), _) if reason.is_lack_of_rights() => false,
            (Why::Guard(_) | Why::DeferralDue, _) => true,
            (
                Why::UnknownMachine(_)
                | Why::UnknownService(_)
                | Why::UnknownGroup(_)
                | Why::GroupNotAllowed
                | Why::NotByGroup(_)
                | Why::MachineNotAllowed
                | Why::RequestNotAllowed
                | Why::Malformed(_),
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
    /// What was said of a service, and what may have been meant.
    UnknownService(String),
    /// What was said of a group, and what may have been meant.
    UnknownGroup(String),
    /// This input may not ask for any machine of the group.
    GroupNotAllowed,
    /// No group is asked for that.
    NotByGroup(RequestKind),
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
            Why::UnknownService(_) => "unknown-service",
            Why::UnknownGroup(_) => "unknown-group",
            Why::GroupNotAllowed => "group-not-allowed",
            Why::NotByGroup(_) => "not-by-group",
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
    /// Somebody's word that it stays on.
    pub kept_on: Option<Arc<str>>,
    pub findings: Vec<Finding>,
    /// What its silences before say: why it is held although its detectors say idle, or what idle rests on.
    pub silences: Option<Arc<str>>,
}

/// What one detector had said.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    pub detector: Name,
    pub verdict: Verdict,
    pub reason: Arc<str>,
    pub role: Role,
    pub clears_in: Option<Span>,
    pub readings: Vec<Evidence>,
}

/// A reading that a detector's word rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    pub signal: Name,
    pub unit: Arc<str>,
    pub reading: Reading,
    /// How long before it was read.
    pub age: Span,
    /// Nothing has come since, and its meter speaks only when its value changes.
    pub unchanged: bool,
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
    /// Further machines that it is just as true of, by name and title: one gesture for several is one announcement.
    pub others: Vec<(Name, Arc<str>)>,
    /// Together they are all machines there are.
    pub all: bool,
    /// Of an emergency: titles of those whose outlet is out of sight, so that nobody knows whether it hears the order.
    pub out_of_sight: Vec<Arc<str>>,
    /// Of a force or an emergency: sentences on machines that may still need what goes off.
    pub left_behind: Vec<Arc<str>>,
    pub what: guard::Announcement,
    /// Name and title of the input it speaks of.
    pub input: Option<(Name, Arc<str>)>,
    /// What the detectors say, or what stands against it, most telling first: "118 W, busy above 40 W".
    pub reasons: Vec<Arc<str>>,
    pub behind: Option<Behind>,
    /// How the person it speaks to can force the machine off: "hold the button down".
    pub how: Option<Arc<str>>,
    pub clears_in: Option<Span>,
    /// In shadow mode: nothing was done, and it is said as what would have been.
    pub shadow: bool,
    /// Of the end of a job.
    pub job: Option<Box<JobTold>>,
    /// Of power that is back.
    pub power: Option<Box<PowerBack>>,
}

/// Machines that had lost their power, by the clock of the shop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PowerBack {
    pub from: String,
    pub until: String,
    /// Titles of those whose job was lost.
    pub jobs: Vec<Arc<str>>,
    /// And of those that are on again, though nobody asked for that.
    pub on: Vec<Arc<str>>,
    /// Nobody was there to see how they came on.
    pub ours_too: bool,
}

/// A job that is over, as people are told of it.
#[derive(Clone, Debug, PartialEq)]
pub struct JobTold {
    pub over: JobOver,
    pub next: Next,
    /// Where nobody saw the end: by the clock of the shop.
    pub between: Option<(String, String)>,
    pub currency: Option<Arc<str>>,
}

/// What is to become of a machine whose job is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    IsOff,
    MayBeOff,
    Cools,
    /// Something else holds it.
    StaysOn,
}

/// A job that is over, for the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct JobEnded {
    pub at: Now,
    pub machine: Name,
    pub over: JobOver,
    /// Of its cost.
    pub currency: Option<Arc<str>>,
    pub kept: KeptMachine,
}

impl Announced {
    /// How long the person it speaks to has, to force it off or to cancel.
    pub fn window(&self) -> Option<Span> {
        self.what.traits().window
    }

    pub fn is_urgent(&self) -> bool {
        self.what.traits().is_urgent
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
    /// Further machines of which the same is true at the same moment.
    pub others: Vec<(Name, Arc<str>)>,
    pub kind: guard::IncidentKind,
    pub urgent: bool,
    pub reasons: Vec<Arc<str>>,
    pub behind: Option<Behind>,
    /// It is over only because the machine is being switched once more.
    pub retried: bool,
    /// Somebody works on the machine: on record, and for nobody to hear.
    pub quiet: bool,
}

/// What must survive a restart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptMachine {
    pub machine: Name,
    pub state: KeptState,
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
    Energy(Box<Metered>),
    Silence(Silence),
    Paired(Paired),
}

/// A request that was decided in shadow mode, and what became of the outlet within ten seconds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Paired {
    pub asked_at: WallTime,
    pub input: Name,
    pub request: RequestKind,
    /// Where the outlet had changed before: what would have been decided.
    pub decision: guard::Decision,
    /// Which way it was to be switched.
    pub asked: Switch,
    pub meanwhile: Meanwhile,
    /// The outlet changed before the decision.
    pub before: bool,
    /// How long before or after it the outlet changed.
    pub apart: Option<Span>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meanwhile {
    /// It came about as decided.
    Agrees,
    /// It was switched off, and would have been left on.
    Cut,
    /// It would have been switched off, and stayed on.
    LeftOn,
    /// It was switched on, and would have been left off.
    SwitchedOn,
    /// It would have been switched on, and stayed off.
    LeftOff,
    /// The outlet was out of sight, or there was an emergency.
    Unseen,
}

impl Meanwhile {
    pub const fn word(self) -> &'static str {
        match self {
            Meanwhile::Agrees => "agrees",
            Meanwhile::Cut => "cut",
            Meanwhile::LeftOn => "left-on",
            Meanwhile::SwitchedOn => "switched-on",
            Meanwhile::LeftOff => "left-off",
            Meanwhile::Unseen => "unseen",
        }
    }
}

/// A silence of a working machine that is over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Silence {
    pub end: SilenceEnd,
    /// After how much quiet its detectors call it idle, as they said themselves; zero if they do not say.
    pub dwell: Span,
    /// Shorter ones since the last that was told, in which it went on before it counted as idle.
    pub pauses: u32,
    pub pause_longest: Span,
    /// How silences of this length went on so far, this one included.
    pub counted: Counted,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SilenceEnd {
    /// It stayed idle for a quarter of an hour, or until it was switched off.
    Lasted,
    /// It went back to work so long after it counted as idle.
    BackToWork { idle_for: Span },
    /// It was quiet for so long, and went back to work just before it would have counted as idle.
    Nearly { quiet_for: Span },
}

/// An order on a guarded outlet's topic that was not ours.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ForeignOrder {
    pub at: Now,
    pub machine: Name,
    pub title: Arc<str>,
    pub topic: Arc<str>,
    /// "on" or "off", or what was sent instead, bounded and tame. Empty where it is over.
    pub order: Arc<str>,
    /// The broker has it in store, and the outlet will get it again and again.
    pub stored: bool,
    /// As of an incident.
    pub quiet: bool,
    pub stage: ForeignOrderStage,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ForeignOrderStage {
    Begun,
    /// To be counted and not told: it was told, or is to be expected.
    GoesOn,
    Over,
}

/// An incident: a detector gives no answer, or does so again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DetectorStopped {
    pub at: Now,
    pub machine: Name,
    pub title: Arc<str>,
    pub detector: Name,
    /// What the machine loses with it.
    pub role: Role,
    pub how_bad: HowBad,
    /// In the detector's own words where it had any, bounded and tame: "observe panicked: index out of bounds
    /// (src/lib.rs:42)".
    pub why: Arc<str>,
    pub over: bool,
    /// To be heard by people near the machine, not only to be seen by whoever looks after it.
    pub aloud: bool,
    /// As of an incident.
    pub quiet: bool,
    /// It held a machine that was at work.
    pub urgent: bool,
}

/// An incident: people are warned, or no longer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Warned {
    pub at: Now,
    pub machine: Name,
    pub title: Arc<str>,
    pub what: Warning,
    pub over: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Warning {
    /// What a detector that warns said when it began.
    Detector { detector: Name, reason: Arc<str> },
    /// A machine, by its title, that this one needs for its work is off.
    NeededOff { needed: Arc<str> },
}

impl Warning {
    pub fn subject(&self) -> Subject {
        match self {
            Warning::Detector { .. } => Subject::Warning,
            Warning::NeededOff { .. } => Subject::NeededMachineOff,
        }
    }
}

impl Warned {
    pub fn is_urgent(&self) -> bool {
        match self.what {
            Warning::Detector { .. } => false,
            Warning::NeededOff { .. } => !self.over,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum HowBad {
    /// It is tried again by itself.
    Stopped,
    NotLoaded,
    /// It kept stopping.
    TakenOut,
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

/// An incident of the machines that an emergency contact is for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ContactUnclear {
    pub at: Now,
    /// Name and title.
    pub input: (Name, Arc<str>),
    /// Names and titles.
    pub machines: Vec<(Name, Arc<str>)>,
    /// Nothing once it is over.
    pub said: Option<Arc<str>>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ShopIncident {
    pub at: Now,
    pub what: Trouble,
    pub urgent: bool,
    pub over: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// The connection that is kept for emergencies.
    EmergencyLink { why: Arc<str> },
    /// An input sends more than it has a quota for. What it sends and what is heard of it, in a second; and how many
    /// have not been heard until now.
    Flood { input: Name, title: Arc<str>, sent: u64, heard: u64, unheard: u64 },
}

impl Trouble {
    pub fn subject(&self) -> Subject {
        match self {
            Trouble::EmergencyLink { .. } => Subject::EmergencyConnectionLost,
            Trouble::Flood { .. } => Subject::Flood,
        }
    }

    pub fn input(&self) -> Option<&Name> {
        match self {
            Trouble::EmergencyLink { .. } => None,
            Trouble::Flood { input, .. } => Some(input),
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServiceDue {
    pub at: Now,
    pub machine: Name,
    pub title: Arc<str>,
    pub service: ServiceStatus,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotUnderstood {
    pub at: Now,
    /// Name and title.
    pub input: (Name, Arc<str>),
    pub why: Why,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AnswerWithheld {
    pub at: Now,
    pub input: Name,
    /// Fit to be shown.
    pub topic: Arc<str>,
    /// A clause that goes on from the topic.
    pub why: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rejected {
    pub at: Now,
    pub topic: Arc<str>,
    pub fault: String,
    /// Whether it came on an input's topic, and so might have been meant as a request.
    pub input: Option<Name>,
}
