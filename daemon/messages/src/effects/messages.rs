//! From what the engine says to the messages that Idlegate publishes: see `messages` for their form.

use std::sync::Arc;

use super::sentences;
pub use crate::Topics;
use crate::{
    Blind, Decision, Deferral, Finding, GroupAnswer, Lock, MemberAnswer, NextSchedule, Quantity, Reading,
    RunningJob, ServiceState, Signal, StandBy, StaysOn, Told,
};
use idlegate_engine::{
    self as engine, Announced, BlindSpot, BlindSpotsTold, Blindness, ContactUnclear, Decided,
    DetectorStopped, ForeignOrder, ForeignOrderStage, GroupAnswered, GroupMember, IncidentTold, JobSoFar,
    LockStatus, MachineStatus, OutletsLost, ServiceDue, ServiceStatus, ShopIncident, SignalStatus, Subject,
    Warned, token_text,
};
use idlegate_guard::time::{Now, Span};
use idlegate_guard::{Confirm, Control, PermissiveState, Switch};
use idlegate_plan::ServiceMeasure;
use idlegate_plan::event::{Name, Value, Verdict};
use idlegate_plan::kept::KeptJob;
use idlegate_plan::text::{parse_time, rfc3339};

/// What one of several does.
pub fn stand_by(now: Now, name: &str, role: &'static str, rules: &str) -> StandBy {
    StandBy { at: rfc3339(now.wall), name: name.to_owned(), role: role.into(), rules: rules.to_owned() }
}

pub fn decision(decided: &Decided) -> Decision {
    let text = |text: &Option<Arc<str>>| text.as_deref().map(str::to_owned);
    Decision {
        at: rfc3339(decided.at.wall),
        confirm: None,
        count: (decided.count > 1).then_some(decided.count),
        decision: decided.decision.word().into(),
        detectors: decided.grounds.findings.iter().map(finding).collect(),
        fault: None,
        gesture: decided.gesture.as_ref().map(ToString::to_string),
        group: decided.group.as_ref().map(ToString::to_string),
        id: text(&decided.event_id),
        input: decided.input.to_string(),
        machine: decided.machine.as_ref().map(ToString::to_string),
        outlet: decided.grounds.outlet.map(|switch| switch.word().into()),
        reason: decided.why.word().into(),
        request: decided.request.map(|kind| kind.word().into()),
        rules: decided.rules.to_string(),
        sentence: sentences::decision(decided),
        shadow: decided.shadow,
        state: decided.grounds.state.map(|state| state_word(state).into()),
        stored: None,
        who: text(&decided.who),
    }
}

/// The same for whoever asked, with what nobody else may know.
pub fn answer(decision: &Decision, confirm: Option<Confirm>) -> Decision {
    let token = |confirm: Confirm| crate::Confirm {
        token: token_text(confirm.token),
        within_s: confirm.within.as_secs_f64(),
    };
    Decision { confirm: confirm.map(token), ..decision.clone() }
}

/// For whoever asked a group.
pub fn group_answer(told: &GroupAnswered, sentence: &str) -> GroupAnswer {
    let text = |text: &Option<Arc<str>>| text.as_deref().map(str::to_owned);
    GroupAnswer {
        at: rfc3339(told.at.wall),
        gesture: told.gesture.to_string(),
        group: told.group.0.to_string(),
        id: text(&told.event_id),
        input: told.input.0.to_string(),
        machines: told.members.iter().take(MACHINES_MAX).map(member_answer).collect(),
        request: told.request.word().into(),
        rules: told.rules.to_string(),
        sentence: sentence.to_owned(),
        stored: None,
        who: text(&told.who),
    }
}

fn member_answer(member: &GroupMember) -> MemberAnswer {
    let decided = member.decided.as_deref();
    MemberAnswer {
        acts_in_s: member.acts_in.map(Span::as_secs_f64),
        clears_in_s: member.clears_in.map(Span::as_secs_f64),
        decision: decided.map(|decided| decided.decision.word().into()),
        machine: member.machine.to_string(),
        outlet: member.outlet.map_or("unknown", Switch::word).into(),
        reason: decided.map(|decided| decided.why.word().into()),
        sentence: decided.map(sentences::decision),
        shadow: decided.is_some_and(|decided| decided.shadow),
    }
}

/// For people near the machines of a group that was asked.
pub fn group_announcement(told: &GroupAnswered, sentence: &str) -> Told {
    let is_shadow = |member: &GroupMember| member.decided.as_ref().is_none_or(|decided| decided.shadow);
    Facts {
        at: told.at,
        machines: told.members.iter().take(MACHINES_MAX).map(|member| &member.machine).collect(),
        kind: Subject::GroupAsked.word(),
        over: false,
        input: Some(&told.input.0),
        quiet: false,
        urgent: false,
        window: told.window(),
        clears_in: None,
        shadow: told.members.iter().all(is_shadow),
        sentence,
    }
    .message()
}

/// What was said a minute ago is of no use to somebody who hears it only now.
const MEANT_FOR: Span = Span::secs(60);

/// How long a decision or an announcement is worth hearing: until the window that it speaks of closes, or for a minute.
/// In whole seconds, as a broker counts.
pub fn meant_for(window: Option<Span>) -> Span {
    Span::secs(window.map_or(MEANT_FOR, |window| window.min(MEANT_FOR)).millis().div_ceil(1_000).max(1))
}

struct Facts<'a> {
    at: Now,
    machines: Vec<&'a Name>,
    kind: &'static str,
    over: bool,
    input: Option<&'a Name>,
    /// On record, and not announced.
    quiet: bool,
    urgent: bool,
    window: Option<Span>,
    clears_in: Option<Span>,
    shadow: bool,
    sentence: &'a str,
}

impl Facts<'_> {
    fn message(&self) -> Told {
        let machine = match self.machines.as_slice() {
            [one] => Some(one.to_string()),
            [] | [_, _, ..] => None,
        };
        Told {
            at: rfc3339(self.at.wall),
            blind: Vec::new(),
            clears_in_s: self.clears_in.map(Span::as_secs_f64),
            input: self.input.map(ToString::to_string),
            kind: self.kind.into(),
            machine,
            machines: self.machines.iter().map(ToString::to_string).collect(),
            over: self.over,
            quiet: self.quiet,
            sentence: self.sentence.to_owned(),
            shadow: self.shadow,
            urgent: self.urgent,
            window_s: self.window.map(Span::as_secs_f64),
        }
    }
}

pub fn announcement(announced: &Announced, sentence: &str) -> Told {
    Facts {
        at: announced.at,
        machines: bounded(&announced.machine, &announced.others),
        kind: announced.what.word(),
        over: false,
        input: announced.input.as_ref().map(|(name, _)| name),
        quiet: false,
        urgent: announced.is_urgent(),
        window: announced.window(),
        clears_in: announced.clears_in,
        shadow: announced.shadow,
        sentence,
    }
    .message()
}

/// More would not fit into one message.
const MACHINES_MAX: usize = 1_000;

fn bounded<'a>(first: &'a Name, others: &'a [(Name, Arc<str>)]) -> Vec<&'a Name> {
    let others = others.iter().map(|(name, _)| name);
    std::iter::once(first).chain(others).take(MACHINES_MAX).collect()
}

pub fn trouble(told: &ShopIncident, sentence: &str) -> Told {
    Facts {
        at: told.at,
        machines: Vec::new(),
        kind: told.what.subject().word(),
        over: told.over,
        input: told.what.input(),
        quiet: false,
        urgent: told.urgent,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

/// Of the shop as a whole.
pub fn outlets_lost(told: &OutletsLost, sentence: &str) -> Told {
    Facts {
        at: told.at,
        machines: told.machines.iter().map(|(name, _)| name).collect(),
        kind: Subject::OutletsLost.word(),
        over: told.over,
        input: None,
        quiet: false,
        urgent: told.urgent,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

/// Of all machines that the contact is for.
pub fn contact_unclear(told: &ContactUnclear, sentence: &str) -> Told {
    Facts {
        at: told.at,
        machines: told.machines.iter().map(|(name, _)| name).collect(),
        kind: Subject::ContactUnclear.word(),
        over: told.said.is_none(),
        input: Some(&told.input.0),
        quiet: false,
        urgent: told.said.is_some(),
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

pub fn foreign_order(told: &ForeignOrder, sentence: &str) -> Told {
    let over = told.stage == ForeignOrderStage::Over;
    Facts {
        at: told.at,
        machines: vec![&told.machine],
        kind: Subject::ForeignOrder.word(),
        over,
        input: None,
        quiet: told.quiet,
        urgent: told.stored && !over,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

/// As an incident and as an announcement.
pub fn blind_spots(told: &BlindSpotsTold, sentence: &str) -> Told {
    let mut machines: Vec<&Name> = told.spots.iter().filter_map(BlindSpot::machine).collect();
    machines.sort();
    machines.dedup();
    machines.truncate(MACHINES_MAX);
    let facts = Facts {
        at: told.at,
        machines,
        kind: Subject::Blind.word(),
        over: told.over,
        input: match told.spots.as_slice() {
            [one] => one.input(),
            [] | [_, _, ..] => None,
        },
        quiet: false,
        urgent: told.urgent,
        shadow: false,
        window: None,
        clears_in: None,
        sentence,
    };
    let blind = told.spots.iter().take(MACHINES_MAX).map(Blind::of).collect();
    Told { blind, ..facts.message() }
}

/// As an incident and, where it is to be heard, as an announcement.
pub fn detector_stopped(told: &DetectorStopped, sentence: &str) -> Told {
    let blind = Blind {
        detector: Some(told.detector.to_string()),
        kind: Blindness::DetectorOut.word().into(),
        machine: Some(told.machine.to_string()),
        since: rfc3339(told.at.wall),
        why: Some(told.why.to_string()).filter(|why| !why.is_empty()),
        ..Blind::default()
    };
    let facts = Facts {
        at: told.at,
        machines: vec![&told.machine],
        kind: Subject::DetectorStopped.word(),
        over: told.over,
        input: None,
        quiet: told.quiet,
        urgent: told.urgent,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    };
    Told { blind: vec![blind], ..facts.message() }
}

/// As an announcement.
pub fn service_due(told: &ServiceDue, sentence: &str) -> Told {
    Facts {
        at: told.at,
        machines: vec![&told.machine],
        kind: Subject::ServiceDue.word(),
        over: false,
        input: None,
        quiet: false,
        urgent: false,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

/// As an incident and, while it begins, as an announcement.
pub fn warned(told: &Warned, sentence: &str) -> Told {
    Facts {
        at: told.at,
        machines: vec![&told.machine],
        kind: told.what.subject().word(),
        over: told.over,
        input: None,
        quiet: false,
        urgent: told.is_urgent(),
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

pub fn late_broker(now: Now, over: bool, sentence: &str) -> Told {
    let blind =
        Blind { kind: Blindness::LateBroker.word().into(), since: rfc3339(now.wall), ..Blind::default() };
    let facts = Facts {
        at: now,
        machines: Vec::new(),
        kind: Subject::LateBroker.word(),
        over,
        input: None,
        quiet: false,
        urgent: false,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    };
    Told { blind: vec![blind], ..facts.message() }
}

/// An incident that is about the shop's guarding itself.
pub fn shop_incident(now: Now, of: Subject, machines: Vec<&Name>, over: bool, sentence: &str) -> Told {
    Facts {
        at: now,
        machines,
        kind: of.word(),
        over,
        input: None,
        quiet: false,
        urgent: !over,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

/// About the shop as a whole, or about no machine that is known.
pub fn shop_announcement(now: Now, of: Subject, input: Option<&Name>, sentence: &str) -> Told {
    Facts {
        at: now,
        machines: Vec::new(),
        kind: of.word(),
        over: false,
        input,
        quiet: false,
        urgent: false,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

pub fn incident(told: &IncidentTold, over: bool, sentence: &str) -> Told {
    Facts {
        at: told.at,
        machines: bounded(&told.machine, &told.others),
        kind: told.kind.word(),
        over,
        input: None,
        quiet: told.quiet,
        urgent: told.urgent,
        window: None,
        clears_in: None,
        shadow: false,
        sentence,
    }
    .message()
}

pub fn machine_status(status: &MachineStatus, now: Now) -> crate::MachineStatus {
    crate::MachineStatus {
        at: rfc3339(now.wall),
        blind: status.blind.iter().map(Blind::of).collect(),
        clears_in_s: status.clears_in.map(Span::as_secs_f64),
        deferral: status.deferral.as_ref().map(|deferral| Deferral {
            acts_in_s: deferral.acts_in.map(Span::as_secs_f64),
            by: deferral.by.to_string(),
            expires_in_s: deferral.expires_in.as_secs_f64(),
        }),
        detectors: status.findings.iter().map(finding).collect(),
        idle_for_s: status.idle_for.map(Span::as_secs_f64),
        incidents: status.incidents.iter().map(|kind| (*kind).into()).collect(),
        job: status.job.as_ref().map(job),
        kept_on: status
            .kept_on
            .as_ref()
            .map(|kept| StaysOn { by: kept.by.to_string(), left_s: kept.left.as_secs_f64() }),
        locked_by: status.locked_by.as_ref().map(ToString::to_string),
        locks: status.locks.iter().map(lock).collect(),
        machine: status.machine.to_string(),
        never_off: status.control == Control::NeverOff,
        next_schedule: status.next_schedule.as_ref().map(|firing| NextSchedule {
            at: rfc3339(firing.at),
            by: firing.by.to_string(),
            request: firing.request.word().into(),
        }),
        outlet: status.outlet.map_or("unknown", Switch::word).into(),
        quiet: status.quiet,
        reasons: status.reasons.iter().map(ToString::to_string).collect(),
        services: status.services.iter().map(service).collect(),
        shadow: status.shadow,
        signals: status.signals.iter().map(signal).collect(),
        state: state_word(status.state).into(),
        switching: status.switching.map(|switch| switch.word().into()),
        title: status.title.to_string(),
        waiting_requests: status.waiting as u64,
        watched: status.control == Control::Watched,
        window_left_s: status.window_left.map(Span::as_secs_f64),
    }
}

fn lock(lock: &LockStatus) -> Lock {
    Lock {
        by: lock.by.to_string(),
        emergency: lock.emergency,
        note: lock.note.as_deref().map(str::to_owned),
        since: lock.since.map(rfc3339),
        who: lock.who.as_deref().map(str::to_owned),
    }
}

fn service(service: &ServiceStatus) -> ServiceState {
    let (counts, counted, every) = (service.counts, service.counted, service.every);
    let in_words = |amount: u64| match counts {
        ServiceMeasure::SwitchOns => amount as f64,
        ServiceMeasure::Busy | ServiceMeasure::On | ServiceMeasure::Calendar => Span(amount).as_secs_f64(),
    };
    ServiceState {
        by: service.by.as_ref().map(ToString::to_string),
        counted: in_words(counted),
        counts: counts.word().into(),
        due: service.due,
        every: in_words(every),
        sentence: service.words.to_string(),
        service: service.service.to_string(),
        since: rfc3339(service.since),
        who: service.who.as_deref().map(str::to_owned),
    }
}

fn job(job: &JobSoFar) -> RunningJob {
    RunningJob {
        began: rfc3339(job.begun),
        begin_seen: !job.begin_unseen,
        cost: job.cost(),
        in_sight: job.in_sight,
        joules: job.joules(),
        lasted_s: job.lasted.as_secs_f64(),
        unseen_s: job.unseen.as_secs_f64(),
        watts_max: job.watts_max(),
        worked: rfc3339(job.worked),
    }
}

/// What the status of a machine leaves of its job to whoever guards it next.
pub fn kept_job(status: &crate::MachineStatus) -> Option<KeptJob> {
    let job = status.job.as_ref()?;
    let millis = |text: &str| parse_time(text).ok().map(|wall| wall.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "whole numbers within bounds"
    )]
    let whole = |value: f64, of: f64| {
        Some(value * of).filter(|value| (0.0..WHOLE_MAX).contains(value)).map(|value| value as u64)
    };
    Some(KeptJob {
        begun_ms: millis(&job.began)?,
        begin_unseen: !job.begin_seen,
        kept_ms: millis(&status.at)?,
        worked_ms: millis(&job.worked)?,
        quiet_since_ms: None,
        unseen_ms: whole(job.unseen_s, 1e3)?,
        millijoules: job.joules.and_then(|joules| whole(joules, 1e3)),
        milliwatts_max: job.watts_max.and_then(|watts| whole(watts, 1e3)).unwrap_or(0),
        cost_millionths: job.cost.and_then(|cost| whole(cost, 1e6)),
        off: None,
    })
}

/// Beyond this a number of a message is not believed.
const WHOLE_MAX: f64 = 9e15;

fn signal(signal: &SignalStatus) -> Signal {
    Signal {
        age_s: signal.age.map(Span::as_secs_f64),
        signal: signal.signal.to_string(),
        unchanged: signal.unchanged,
        unit: signal.unit.to_string(),
        value: signal.value.as_ref().and_then(quantity),
    }
}

pub const fn state_word(state: PermissiveState) -> &'static str {
    match state {
        PermissiveState::Clear => "idle",
        PermissiveState::Busy => "busy",
        PermissiveState::Unknown => "unknown",
    }
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Busy => "busy",
        Verdict::Idle => "idle",
        Verdict::Unknown => "unknown",
    }
}

fn finding(finding: &engine::Finding) -> Finding {
    let readings = finding.readings.iter().map(|evidence| Reading {
        age_s: evidence.age.as_secs_f64(),
        signal: evidence.signal.to_string(),
        unchanged: evidence.unchanged,
        unit: evidence.unit.to_string(),
        value: quantity(&evidence.reading.value),
    });
    Finding {
        clears_in_s: finding.clears_in.map(Span::as_secs_f64),
        detector: finding.detector.to_string(),
        readings: readings.collect(),
        reason: finding.reason.to_string(),
        role: finding.role.word().into(),
        state: verdict_word(finding.verdict).into(),
    }
}

fn quantity(value: &Value) -> Option<Quantity> {
    match value {
        Value::Number(number) => Quantity::number(*number),
        Value::Text(text) => Some(Quantity::Text(text.to_string())),
    }
}
