//! The acceptance drill: what has to happen at the real machine before it is trusted, and how it is told from what the
//! guard publishes.

use serde::{Deserialize, Serialize};

use idlegate_messages::{Decision, MachineStatus, Told, Topics, read};
use idlegate_plan::event::Message;

/// One thing to try, in the order in which they build on each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Item {
    /// The guard sees outlet, draw and idle.
    SeenIdle,
    /// An off of the idle machine is let through.
    IdleOff,
    SeenBusy,
    /// An off of the working machine is held.
    Held,
    /// A force inside the window switches off.
    Forced,
    /// What goes past the guard is noticed.
    OtherRoute,
    /// A meter that says nothing leaves the guard in doubt.
    MeterSilent,
    /// An emergency-off switches off, and locks.
    Emergency,
    /// After it the machine can be unlocked, which switches nothing.
    Unlocked,
    /// After a power cut the outlet does not start the machine by itself. Only a person can see that.
    StaysOff,
}

impl Item {
    pub const ALL: [Item; 10] = [
        Item::SeenIdle,
        Item::IdleOff,
        Item::SeenBusy,
        Item::Held,
        Item::Forced,
        Item::OtherRoute,
        Item::MeterSilent,
        Item::Emergency,
        Item::Unlocked,
        Item::StaysOff,
    ];

    /// What commissioning tries, at a machine that has perhaps no red button yet.
    pub const FIRST: [Item; 7] = [
        Item::SeenIdle,
        Item::IdleOff,
        Item::SeenBusy,
        Item::Held,
        Item::Forced,
        Item::OtherRoute,
        Item::StaysOff,
    ];

    /// Of a machine that Idlegate does not switch off.
    pub(super) const ONLY_SEEN: [Item; 2] = [Item::SeenIdle, Item::SeenBusy];

    /// What is claimed if it passes.
    pub const fn claim(self) -> &'static str {
        match self {
            Item::SeenIdle => "the guard sees that the idle machine is idle",
            Item::IdleOff => "while it is idle, an off switches it off",
            Item::SeenBusy => "the guard sees that the working machine is working",
            Item::Held => "while it is working, an off is held, and Idlegate says why",
            Item::Forced => "a force inside the window switches it off",
            Item::OtherRoute => "the guard notices when the outlet's own button is used",
            Item::MeterSilent => "when its meter falls silent, the guard no longer counts it as idle",
            Item::Emergency => "the red button switches it off and locks it",
            Item::Unlocked => "after that it can be unlocked, and nothing goes on by itself",
            Item::StaysOff => "after a power cut the outlet stays off",
        }
    }

    /// Whether the message settles it: passed with what was heard, or failed with it.
    pub fn settled_by(
        self,
        prefix: &str,
        machine: &str,
        message: &Message,
    ) -> Option<(DrillOutcome, String)> {
        // Whoever listens to a state hears it with the flag, live as well.
        if message.retained && !matches!(self, Item::SeenIdle | Item::SeenBusy | Item::MeterSilent) {
            return None;
        }
        let topics = Topics::new(prefix);
        let said = |topic: String| *message.topic == *topic;
        match self {
            Item::SeenIdle if said(topics.machine(machine)) => seen("idle", &read(&message.payload)?),
            Item::SeenBusy if said(topics.machine(machine)) => seen("busy", &read(&message.payload)?),
            Item::MeterSilent if said(topics.machine(machine)) => {
                let status: MachineStatus = read(&message.payload)?;
                (status.state == "unknown").then(|| (DrillOutcome::Passed, status.reasons.join("; ")))
            }
            Item::IdleOff | Item::Held | Item::Forced | Item::Emergency | Item::Unlocked
                if said(topics.decision()) =>
            {
                let decision: Decision = read(&message.payload)?;
                let is_its = decision.machine.as_deref() == Some(machine);
                let outcome = is_its.then(|| self.by_decision(&decision)).flatten()?;
                Some((outcome, decision.sentence))
            }
            Item::OtherRoute if said(topics.incident()) => {
                let told: Told = read(&message.payload)?;
                // That somebody else sent an order does not mean that the outlet's own button is noticed.
                let noticed = matches!(&*told.kind, "on-by-another-route" | "off-by-another-route");
                let is_its = told.machine.as_deref() == Some(machine) && !told.over;
                (is_its && noticed).then_some((DrillOutcome::Passed, told.sentence))
            }
            Item::SeenIdle
            | Item::IdleOff
            | Item::SeenBusy
            | Item::Held
            | Item::Forced
            | Item::OtherRoute
            | Item::MeterSilent
            | Item::Emergency
            | Item::Unlocked
            | Item::StaysOff => None,
        }
    }

    fn by_decision(self, said: &Decision) -> Option<DrillOutcome> {
        match (self, &*said.decision) {
            (Item::IdleOff, "acted") if said.reason == "machine-idle" => Some(DrillOutcome::Passed),
            (Item::IdleOff, "held" | "deferred") => Some(DrillOutcome::Failed),
            (Item::Held, "held" | "deferred") => Some(DrillOutcome::Passed),
            (Item::Held, "acted") if said.request.as_deref() == Some("off") => Some(DrillOutcome::Failed),
            (Item::Forced, "acted") if said.reason == "forced-in-window" => Some(DrillOutcome::Passed),
            (Item::Emergency, "acted") if said.reason == "emergency" => Some(DrillOutcome::Passed),
            (Item::Unlocked, "acted") if said.reason == "unlocked" => Some(DrillOutcome::Passed),
            _ => None,
        }
    }
}

/// It is on, and counts as that.
fn seen(state: &str, status: &MachineStatus) -> Option<(DrillOutcome, String)> {
    (status.state == state && status.outlet == "on")
        .then(|| (DrillOutcome::Passed, status.reasons.join("; ")))
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DrillOutcome {
    Passed,
    Failed,
    NotTried,
}

impl DrillOutcome {
    pub const fn word(self) -> &'static str {
        match self {
            DrillOutcome::Passed => "passed",
            DrillOutcome::Failed => "failed",
            DrillOutcome::NotTried => "not tried",
        }
    }
}

/// What came of trying.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tried {
    pub item: Item,
    pub outcome: DrillOutcome,
    /// RFC 3339.
    pub at: String,
    /// What the guard said.
    pub heard: String,
}
