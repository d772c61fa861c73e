//! What goes into the journal, and which answers wait for it.

use std::path::Path;
use std::sync::Arc;

use serde_json::Value as Json;

use super::rejections::{self, Rejections};
use idlegate_engine::energy::Metered;
use idlegate_engine::{
    Announced, BlindSpotsTold, ContactUnclear, Counted, Decided, DetectorStopped, ForeignOrder,
    ForeignOrderStage, Former, GroupAnswered, IncidentTold, JobEnded, KeptMachine, Note, Noted, Order,
    OutletsLost, Paired, Rejected, ShopIncident, Silence, SilenceEnd, Warned,
};
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_guard::{self as guard, Switch};
use idlegate_journal::{
    Answered, Change, FileBackend, Journal, JournalHealth, Limits, Listener, Pace, Record, RecordKind,
    Restored, Ticket,
};
use idlegate_messages::effects::messages::state_word;
use idlegate_messages::{self as messages, Decision, SilencesSoFar, Told, json};
use idlegate_plan::answered::AnsweredId;
use idlegate_plan::event::Name;
use idlegate_plan::text::rfc3339;

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
    rejections: Rejections,
}

/// Whether an answer has to wait for the disk.
pub(super) enum Stored {
    NotNeeded,
    Later(Ticket),
}

impl Journalling {
    /// Opens the journal and says what a former run left behind.
    pub(super) fn start(
        state_dir: Option<&Path>,
        names_age_max: Span,
        listener: Listener,
    ) -> (Journalling, Restored) {
        let Some(dir) = state_dir else {
            tracing::warn!(
                "no state_dir is set: nothing is recorded, and lockouts are forgotten when Idlegate stops"
            );
            return (
                Journalling { journal: None, kept: Vec::new(), rejections: Rejections::default() },
                Restored::default(),
            );
        };
        let shelf = FileBackend::new(dir.join(JOURNAL_FILE), Limits { names_age_max, ..Limits::default() });
        let (journal, restored) = Journal::start(Box::new(shelf), Pace::default(), listener);
        if let Some(doubt) = &restored.doubt {
            tracing::error!(doubt, "lockouts and deferrals in the journal may be wrong; check your lockouts");
        }
        (
            Journalling { journal: Some(journal), kept: Vec::new(), rejections: Rejections::default() },
            restored,
        )
    }

    pub(super) fn keep(&mut self, kept: KeptMachine) {
        self.kept.push(kept);
    }

    pub(super) fn decision(&mut self, decided: &Decided, message: &Decision) -> Stored {
        let Some(journal) = &self.journal else { return Stored::NotNeeded };
        let mut record = Record::new(RecordKind::Decision, decided.at, json(message));
        record = match &decided.machine {
            Some(machine) => record.of(machine.clone()),
            None => record,
        };
        let mut change = Change::default().recording(match decided.decision {
            guard::Decision::Acted | guard::Decision::Held | guard::Decision::Deferred => record.at_once(),
            guard::Decision::NothingToDo | guard::Decision::Refused | guard::Decision::Ignored => record,
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
    pub(super) fn flush(&mut self, now: Moment) {
        for told in self.rejections.due(now) {
            self.refused(&told);
        }
        self.flush_kept();
    }

    fn flush_kept(&mut self) {
        if let Some(journal) = self.journal.as_ref().filter(|_| !self.kept.is_empty()) {
            journal.append(self.kept.drain(..).fold(Change::default(), keeping));
        }
        self.kept.clear();
    }

    /// Its record and the state without it, in one piece: a crash neither loses a job nor tells of it twice.
    pub(super) fn job(&mut self, ended: JobEnded) {
        let Some(journal) = &self.journal else { return };
        let record = Record::new(RecordKind::Job, ended.at, json(&job(&ended))).of(ended.machine);
        // What was kept of this machine before must not come after it.
        let change = self.kept.drain(..).fold(Change::default().recording(record), keeping);
        journal.append(keeping(change, ended.kept));
    }

    pub(super) fn order(&self, now: Now, order: &Order, not_sent: Option<&str>) {
        let body = json(&messages::Order {
            cause: Some(order.cause.word().into()),
            not_sent: not_sent.map(str::to_owned),
            resend: order.resend.into(),
            shadow: order.shadow,
            switch: order.switch.word().into(),
        });
        self.record(Record::new(RecordKind::Order, now, body).of(order.machine.clone()).at_once());
    }

    pub(super) fn announcement(&self, announced: &Announced, message: &Told) {
        let record = Record::new(RecordKind::Announcement, announced.at, json(message));
        // One about several machines is none of theirs alone.
        self.record(if announced.others.is_empty() { record.of(announced.machine.clone()) } else { record });
    }

    /// What people are told of a group. Once it is on disk, so is what was kept for its machines, which came before.
    pub(super) fn group(&self, told: &GroupAnswered, message: Option<&Told>) -> Stored {
        let Some(journal) = &self.journal else { return Stored::NotNeeded };
        let record = message.map(|message| Record::new(RecordKind::Announcement, told.at, json(message)));
        let change = record.map_or_else(Change::default, Change::from);
        if told.after_keep() {
            return Stored::Later(journal.append_durably(change));
        }
        if message.is_some() {
            journal.append(change);
        }
        Stored::NotNeeded
    }

    pub(super) fn service_due(&self, told: &idlegate_engine::ServiceDue, message: &Told) {
        self.record(Record::new(RecordKind::Announcement, told.at, json(message)).of(told.machine.clone()));
    }

    pub(super) fn incident(&self, told: &IncidentTold, over: bool, message: &Told) {
        let kind = if over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, told.at, json(message)).of(told.machine.clone()));
    }

    pub(super) fn outlets_lost(&self, told: &OutletsLost, message: &Told) {
        let kind = if told.over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, told.at, json(message)));
    }

    pub(super) fn contact_unclear(&self, told: &ContactUnclear, message: &Told) {
        let kind = if told.said.is_none() { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, told.at, json(message)));
    }

    pub(super) fn foreign_order(&self, told: &ForeignOrder, message: &Told) {
        let over = told.stage == ForeignOrderStage::Over;
        let kind = if over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, told.at, json(message)).of(told.machine.clone()));
    }

    pub(super) fn detector_stopped(&self, told: &DetectorStopped, message: &Told) {
        let kind = if told.over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, told.at, json(message)).of(told.machine.clone()));
    }

    pub(super) fn warned(&self, told: &Warned, message: &Told) {
        let kind = if told.over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, told.at, json(message)).of(told.machine.clone()));
    }

    pub(super) fn blind(&self, told: &BlindSpotsTold, message: &Told) {
        let kind = if told.over { RecordKind::IncidentOver } else { RecordKind::Incident };
        let record = Record::new(kind, told.at, json(message));
        // One about several machines is none of theirs alone.
        let of = message.machine.as_deref().and_then(|machine| Name::new(machine).ok());
        self.record(match of {
            Some(machine) => record.of(machine),
            None => record,
        });
    }

    /// Why nothing is recorded, although it should be.
    pub(super) fn out(&self) -> Option<String> {
        match self.journal.as_ref().map(Journal::health) {
            None | Some(JournalHealth::Ok) => None,
            Some(JournalHealth::Degraded { why }) => Some(why),
        }
    }

    pub(super) fn late_broker(&self, now: Now, over: bool, message: &Told) {
        let kind = if over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, now, json(message)));
    }

    pub(super) fn shop_incident(&self, now: Now, over: bool, message: &Told) {
        let kind = if over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, now, json(message)).at_once());
    }

    pub(super) fn trouble(&self, told: &ShopIncident, message: &Told) {
        let kind = if told.over { RecordKind::IncidentOver } else { RecordKind::Incident };
        self.record(Record::new(kind, told.at, json(message)));
    }

    /// A message on an input's topic that was no request: it may have been meant as one.
    pub(super) fn rejection(&mut self, rejected: &Rejected) {
        if let Some(told) = self.rejections.refused(rejected) {
            self.refused(&told);
        }
    }

    fn refused(&self, told: &rejections::Told) {
        let rejected = &told.rejected;
        let body = json(&messages::Refused {
            count: told.count,
            decision: "refused".into(),
            fault: rejected.fault.to_string(),
            input: rejected.input.as_ref().map(ToString::to_string),
            reason: "malformed".into(),
            topic: rejected.topic.to_string(),
        });
        self.record(Record::new(RecordKind::Decision, rejected.at, body));
    }

    pub(super) fn noted(&self, noted: &Noted) {
        if let Note::Silence(Silence { end: SilenceEnd::BackToWork { idle_for }, .. }) = noted.what {
            let machine = &noted.machine;
            tracing::warn!(%machine, %idle_for, "it went back to work after it counted as idle; see idlegate report");
        }
        let (kind, body) = match &noted.what {
            Note::Outlet(state) => {
                let state = state.map_or("unknown", Switch::word).into();
                (RecordKind::Outlet, json(&messages::OutletState { state }))
            }
            Note::State(state, reasons) => {
                let reasons = reasons.iter().map(ToString::to_string).collect();
                (RecordKind::State, json(&messages::State { reasons, state: state_word(*state).into() }))
            }
            Note::Energy(metered) => (RecordKind::Energy, json(&energy(metered))),
            Note::Silence(over) => (RecordKind::Silence, json(&silence(over))),
            Note::Paired(paired) => (RecordKind::Shadow, json(&shadow(paired))),
        };
        self.record(Record::new(kind, noted.at, body).of(noted.machine.clone()));
    }

    pub(super) fn link(&self, now: Now, body: Json) {
        self.record(Record::new(RecordKind::Link, now, body));
    }

    pub(super) fn record_service(&self, kind: RecordKind, now: Now, body: Json) {
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
        for told in self.rejections.rest() {
            self.refused(&told);
        }
        self.flush_kept();
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

/// So fine that the ten thousand minutes of a week are right to the joule.
fn energy(metered: &Metered) -> messages::Energy {
    let rounded = |joules: f64| (joules * 10_000.0).round() / 10_000.0;
    messages::Energy {
        from: rfc3339(metered.from),
        joules: metered.joules.iter().map(|minute| minute.map(rounded)).collect(),
        silent_s: Some(metered.silent.as_secs_f64()),
        watts_max: Some(metered.watts_max),
    }
}

fn job(ended: &JobEnded) -> messages::JobRecord {
    let over = &ended.over;
    let text = |text: &Option<Arc<str>>| text.as_deref().map(str::to_owned);
    messages::JobRecord {
        began: rfc3339(over.begun),
        begin_seen: !over.begin_unseen,
        by: text(&over.by),
        cost: over.cost,
        currency: text(&ended.currency),
        ended: rfc3339(over.ended),
        how: over.how.word().into(),
        joules: over.joules,
        lasted_s: over.lasted.as_secs_f64(),
        not_before: over.not_before.map(rfc3339),
        unseen_s: over.unseen.as_secs_f64(),
        watts_max: over.watts_max,
        who: text(&over.who),
    }
}

fn silence(over: &Silence) -> messages::Silence {
    let (word, idle_for, quiet_for) = match over.end {
        SilenceEnd::Lasted => ("lasted", None, None),
        SilenceEnd::BackToWork { idle_for } => ("back-to-work", Some(idle_for), None),
        SilenceEnd::Nearly { quiet_for } => ("nearly", None, Some(quiet_for)),
    };
    messages::Silence {
        dwell_s: over.dwell.as_secs_f64(),
        end: word.into(),
        idle_for_s: idle_for.map(Span::as_secs_f64),
        pause_longest_s: over.pause_longest.as_secs_f64(),
        pauses: over.pauses,
        quiet_for_s: quiet_for.map(Span::as_secs_f64),
        so_far: so_far(&over.counted),
    }
}

fn shadow(paired: &Paired) -> messages::Shadow {
    messages::Shadow {
        apart_s: paired.apart.map(Span::as_secs_f64),
        asked: paired.asked.word().into(),
        asked_at: rfc3339(paired.asked_at),
        before: paired.before,
        decision: paired.decision.word().into(),
        input: paired.input.to_string(),
        meanwhile: paired.meanwhile.word().into(),
        request: paired.request.word().into(),
    }
}

fn so_far(counted: &Counted) -> Option<SilencesSoFar> {
    let Counted { settings, dwell, finished, went_on } = counted.clone();
    (finished + went_on > 0).then_some(SilencesSoFar { dwell_ms: dwell.0, finished, settings, went_on })
}

/// The answer to a request whose effect must survive a restart says whether it will.
pub(super) async fn settled(ticket: Ticket, mut message: Decision) -> Decision {
    message.stored = Some(is_stored(ticket).await);
    message
}

/// Whether what was kept will survive a restart.
pub(super) async fn is_stored(ticket: Ticket) -> bool {
    match ticket.settled().await {
        idlegate_journal::Storing::Stored => true,
        idlegate_journal::Storing::NotStored(why) => {
            tracing::error!(
                why,
                "a lockout or deferral could not be stored; it is in force, but may be lost at a restart"
            );
            false
        }
    }
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
