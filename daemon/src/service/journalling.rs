//! What goes into the journal, and which answers wait for it.

use std::path::Path;

use serde_json::{Value as Json, json};

use crate::answered::AnsweredId;
use crate::effects::messages;
use crate::energy::HalfHour;
use crate::engine::{
    Announced, Decided, Former, IncidentTold, KeptMachine, Note, Noted, Order, OutletsLost, Rejected,
};
use crate::guard::{Decision, Switch};
use crate::journal::{
    Answered, Change, FileShelf, Journal, JournalHealth, Kind, Limits, Listener, Pace, Record, Restored,
    Ticket,
};
use crate::text::rfc3339;
use crate::time::{Now, Span};

/// The name of the journal's file in the state folder.
pub const JOURNAL_FILE: &str = "journal.sqlite";
/// How long the end of the program waits for the last records.
const CLOSE_PATIENCE: Span = Span::secs(5);

#[derive(Debug)]
pub(super) struct Journalling {
    /// Without a state folder nothing is recorded, and lockouts end with the program.
    journal: Option<Journal>,
    /// Kept by an effect whose decision has not come by yet: they are stored in one piece.
    kept: Vec<KeptMachine>,
}

/// Whether an answer has to wait for the disk.
pub(super) enum Stored {
    NotNeeded,
    Later(Ticket),
}

impl Journalling {
    /// Opens the journal and says what a former run left behind.
    pub(super) fn start(state_dir: Option<&Path>, listener: Listener) -> (Journalling, Former) {
        let Some(dir) = state_dir else {
            tracing::warn!(
                "no state_dir is set: nothing is recorded, and lockouts are forgotten when Idlegate stops"
            );
            return (Journalling { journal: None, kept: Vec::new() }, Former::default());
        };
        let shelf = FileShelf::new(dir.join(JOURNAL_FILE), Limits::default());
        let (journal, restored) = Journal::start(Box::new(shelf), Pace::default(), listener);
        if let Some(doubt) = &restored.doubt {
            tracing::error!(doubt, "lockouts and deferrals in the journal may be wrong; check your lockouts");
        }
        (Journalling { journal: Some(journal), kept: Vec::new() }, former(&restored))
    }

    pub(super) fn keep(&mut self, kept: KeptMachine) {
        self.kept.push(kept);
    }

    pub(super) fn decision(&mut self, decided: &Decided, message: &Json) -> Stored {
        let Some(journal) = &self.journal else { return Stored::NotNeeded };
        let mut record = Record::new(Kind::Decision, decided.at, message.clone());
        record = match &decided.machine {
            Some(machine) => record.of(machine.clone()),
            None => record,
        };
        let mut change = Change::default().recording(match decided.decision {
            Decision::Acted | Decision::Held | Decision::Deferred => record.at_once(),
            Decision::NothingToDo | Decision::Refused | Decision::Ignored => record,
        });
        if let Some(event) = decided.answered_id() {
            let word = decided.decision.word();
            change = change.answering(Answered::new(decided.input.clone(), event, word, decided.at.wall));
        }
        if !decided.after_keep {
            journal.append(change);
            return Stored::NotNeeded;
        }
        let change = self.kept.drain(..).fold(change, keeping);
        Stored::Later(journal.append_durably(change))
    }

    /// What was kept without a decision, as when a deferral expires.
    pub(super) fn flush(&mut self) {
        if let Some(journal) = self.journal.as_ref().filter(|_| !self.kept.is_empty()) {
            journal.append(self.kept.drain(..).fold(Change::default(), keeping));
        }
        self.kept.clear();
    }

    pub(super) fn order(&self, now: Now, order: &Order, not_sent: Option<&str>) {
        let body = json!({
            "switch": order.switch.word(),
            "cause": order.cause.word(),
            "resend": order.resend,
            "shadow": order.shadow,
            "not_sent": not_sent,
        });
        self.record(Record::new(Kind::Order, now, body).of(order.name.clone()).at_once());
    }

    pub(super) fn announcement(&self, announced: &Announced, message: &Json) {
        let record = Record::new(Kind::Announcement, announced.at, message.clone());
        self.record(record.of(announced.machine.clone()));
    }

    pub(super) fn incident(&self, told: &IncidentTold, over: bool, message: &Json) {
        let kind = if over { Kind::IncidentOver } else { Kind::Incident };
        self.record(Record::new(kind, told.at, message.clone()).of(told.machine.clone()));
    }

    pub(super) fn outlets_lost(&self, told: &OutletsLost, message: &Json) {
        let kind = if told.over { Kind::IncidentOver } else { Kind::Incident };
        self.record(Record::new(kind, told.at, message.clone()));
    }

    /// A message on an input's topic that was no request: it may have been meant as one.
    pub(super) fn rejection(&self, rejected: &Rejected) {
        let body = json!({
            "decision": "refused",
            "reason": "malformed",
            "input": rejected.input.as_ref().map(ToString::to_string),
            "topic": rejected.topic.as_ref(),
            "fault": rejected.fault,
        });
        self.record(Record::new(Kind::Decision, rejected.at, body));
    }

    pub(super) fn noted(&self, noted: &Noted) {
        let (kind, body) = match &noted.what {
            Note::Outlet(state) => (Kind::Outlet, json!({ "state": state.map_or("unknown", Switch::word) })),
            Note::State(state, reasons) => {
                let reasons: Vec<&str> = reasons.iter().map(AsRef::as_ref).collect();
                (Kind::State, json!({ "state": messages::state_word(*state), "reasons": reasons }))
            }
            Note::Energy(half_hour) => (Kind::Energy, energy(half_hour)),
        };
        self.record(Record::new(kind, noted.at, body).of(noted.machine.clone()));
    }

    pub(super) fn link(&self, now: Now, body: Json) {
        self.record(Record::new(Kind::Link, now, body));
    }

    pub(super) fn start_or_stop(&self, kind: Kind, now: Now, body: Json) {
        self.record(Record::new(kind, now, body).at_once());
    }

    /// For the health message: "ok", what is wrong, or that there is none.
    pub(super) fn health(&self) -> String {
        match self.journal.as_ref().map(Journal::health) {
            None => "none: no state folder".into(),
            Some(JournalHealth::Ok) => "ok".into(),
            Some(JournalHealth::Degraded { why }) => format!("degraded: {why}"),
        }
    }

    /// Stores what is left. Waits for the disk, within limits.
    pub(super) fn close(mut self) {
        self.flush();
        if let Some(journal) = self.journal
            && !journal.close(CLOSE_PATIENCE)
        {
            tracing::warn!("the disk was too slow for the last records");
        }
    }

    fn record(&self, record: Record) {
        if let Some(journal) = &self.journal {
            journal.append(record);
        }
    }
}

/// Tenths of a joule are finer than any meter.
fn energy(half_hour: &HalfHour) -> Json {
    let tenths = |joules: f64| (joules * 10.0).round() / 10.0;
    json!({
        "from": rfc3339(half_hour.from),
        "joules": half_hour.joules.map(|minute| minute.map(tenths)),
        "watts_max": half_hour.watts_max,
        "silent_s": half_hour.silent.as_secs_f64(),
    })
}

/// The answer to a request whose effect must survive a restart says whether it will.
pub(super) async fn settled(ticket: Ticket, mut message: Json) -> Json {
    let storing = ticket.settled().await;
    message["stored"] = match storing {
        crate::journal::Storing::Stored => json!(true),
        crate::journal::Storing::NotStored(why) => {
            tracing::error!(
                why,
                "a lockout or deferral could not be stored; it is in force, but may be lost at a restart"
            );
            json!(false)
        }
    };
    message
}

fn keeping(change: Change, kept: KeptMachine) -> Change {
    change.keeping(kept.machine, kept.state)
}

pub(super) fn former(restored: &Restored) -> Former {
    let machines = restored
        .kept
        .iter()
        .map(|(machine, state)| KeptMachine { machine: machine.clone(), state: state.clone() });
    let answered = restored.answered.iter().map(|answered| AnsweredId {
        input: answered.input.clone(),
        id: answered.event.clone(),
        at: answered.at,
    });
    Former { machines: machines.collect(), answered: answered.collect() }
}
