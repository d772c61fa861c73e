//! What Idlegate publishes: topics under its prefix, JSON payloads, retained only where they are state.

use serde_json::{Value as Json, json};

use super::sentences;
use crate::engine::{Announced, Decided, Finding, IncidentTold, MachineStatus, OutletsLost};
use crate::event::{Name, Reading, Value, Verdict};
use crate::guard::{PermissiveState, Switch};
use crate::plan::Shop;
use crate::text::rfc3339;
use crate::time::{Now, Span};

/// The topics of one Idlegate.
#[derive(Clone, Debug)]
pub struct Topics {
    prefix: String,
    /// `/<site>`, where there are several; else nothing.
    site: String,
}

impl Topics {
    pub fn new(prefix: &str) -> Topics {
        Topics { prefix: prefix.to_owned(), site: String::new() }
    }

    pub fn of(shop: &Shop) -> Topics {
        let site = shop.site.as_ref().map_or_else(String::new, |site| format!("/{site}"));
        Topics { prefix: shop.prefix.clone(), site }
    }

    pub fn health(&self) -> String {
        format!("{}/health{}", self.prefix, self.site)
    }

    /// That of every site, and of a shop without sites.
    pub fn all_health(&self) -> String {
        format!("{}/health/#", self.prefix)
    }

    /// The site that a health topic speaks of; an empty one where there are none.
    pub fn health_site<'a>(&self, topic: &'a str) -> Option<&'a str> {
        let rest = topic.strip_prefix(self.prefix.as_str())?.strip_prefix("/health")?;
        if rest.is_empty() { Some("") } else { rest.strip_prefix('/') }
    }

    pub fn machine(&self, name: &str) -> String {
        format!("{}/machine/{name}", self.prefix)
    }

    /// Lockout and deferral of a machine, for whoever guards next.
    pub fn kept(&self, machine: &str) -> String {
        format!("{}/kept/{machine}", self.prefix)
    }

    /// The ids that an input's newest requests bore, for whoever guards next.
    pub fn answered(&self, input: &str) -> String {
        format!("{}/answered/{input}{}", self.prefix, self.site)
    }

    /// The input that such a topic speaks of, and the page, if it is one of them.
    pub fn answered_input<'a>(&self, topic: &'a str) -> Option<(&'a str, Option<usize>)> {
        let rest = topic.strip_prefix(self.prefix.as_str())?.strip_prefix("/answered/")?;
        let rest = rest.strip_suffix(self.site.as_str())?;
        match rest.split_once("/page/") {
            Some((input, page)) => Some((input, Some(page.parse().ok()?))),
            None => Some((rest, None)),
        }
    }

    /// A page of older ones.
    pub fn answered_page(&self, input: &str, page: usize) -> String {
        format!("{}/answered/{input}/page/{page}{}", self.prefix, self.site)
    }

    pub fn all_answered_pages(&self) -> String {
        format!("{}/answered/+/page/+{}", self.prefix, self.site)
    }

    /// One of several of which one guards.
    pub fn stand_by(&self, name: &str) -> String {
        format!("{}/stand-by/{name}", self.prefix)
    }

    pub fn decision(&self) -> String {
        format!("{}/decision", self.prefix)
    }

    pub fn incident(&self) -> String {
        format!("{}/incident", self.prefix)
    }

    pub fn announcement(&self) -> String {
        format!("{}/announcement", self.prefix)
    }
}

/// What one of several does.
pub fn stand_by(now: Now, name: &str, role: &str, rules: &str) -> Json {
    json!({ "at": rfc3339(now.wall), "name": name, "role": role, "rules": rules })
}

pub fn decision(decided: &Decided) -> Json {
    json!({
        "at": rfc3339(decided.at.wall),
        "machine": decided.machine.as_ref().map(ToString::to_string),
        "input": decided.input.as_str(),
        "gesture": decided.gesture.as_ref().map(ToString::to_string),
        "request": decided.request.map(|kind| kind.word()),
        "id": decided.event_id.as_deref(),
        "decision": decided.decision.word(),
        "reason": decided.why.word(),
        "sentence": sentences::decision(decided),
        "state": decided.grounds.state.map(state_word),
        "outlet": decided.grounds.outlet.map(Switch::word),
        "detectors": decided.grounds.findings.iter().map(finding).collect::<Vec<_>>(),
        "rules": decided.rules.as_ref(),
    })
}

/// What was said a minute ago is of no use to somebody who hears it only now.
const MEANT_FOR: Span = Span::secs(60);

/// How long a decision or an announcement is worth hearing: until the window that it speaks of closes, or for a minute.
/// In whole seconds, as a broker counts.
pub fn meant_for(window: Option<Span>) -> Span {
    Span::secs(window.map_or(MEANT_FOR, |window| window.min(MEANT_FOR)).millis().div_ceil(1_000).max(1))
}

/// What an announcement may be about: the guard's own words, and two of the shop as a whole.
pub const ANNOUNCEMENT_KINDS: [&str; 18] = [
    "held",
    "window-over",
    "forced",
    "emergency-off",
    "locked",
    "unlocked",
    "refused",
    "emergency-ignored",
    "emergency-too-old",
    "deferred",
    "deferral-cancelled",
    "deferral-notice",
    "deferral-busy-again",
    "deferral-expired",
    "off-abandoned",
    "stuck-input",
    NOT_UNDERSTOOD,
    RULES_KEPT_OLD,
];

pub const NOT_UNDERSTOOD: &str = "not-understood";
pub const RULES_KEPT_OLD: &str = "rules-kept-old";
pub const OUTLETS_LOST: &str = "outlets-lost";

/// Whatever people are told, announcements and incidents alike, has this one shape.
struct Told<'a> {
    at: Now,
    machines: Vec<&'a Name>,
    kind: &'a str,
    over: bool,
    input: Option<&'a Name>,
    urgent: bool,
    window: Option<Span>,
    clears_in: Option<Span>,
    sentence: &'a str,
}

impl Told<'_> {
    fn message(&self) -> Json {
        let machine = match self.machines.as_slice() {
            [one] => Some(one.as_str()),
            [] | [_, _, ..] => None,
        };
        json!({
            "at": rfc3339(self.at.wall),
            "machine": machine,
            "machines": self.machines.iter().map(|name| name.as_str()).collect::<Vec<_>>(),
            "kind": self.kind,
            "over": self.over,
            "input": self.input.map(Name::as_str),
            "urgent": self.urgent,
            "window_s": self.window.map(Span::as_secs_f64),
            "clears_in_s": self.clears_in.map(Span::as_secs_f64),
            "sentence": self.sentence,
        })
    }
}

pub fn announcement(announced: &Announced, sentence: &str) -> Json {
    Told {
        at: announced.at,
        machines: vec![&announced.machine],
        kind: announced.what.word(),
        over: false,
        input: announced.input.as_ref().map(|(name, _)| name),
        urgent: announced.is_urgent(),
        window: announced.window(),
        clears_in: announced.clears_in,
        sentence,
    }
    .message()
}

/// Of the shop as a whole.
pub fn outlets_lost(told: &OutletsLost, sentence: &str) -> Json {
    Told {
        at: told.at,
        machines: told.machines.iter().map(|(name, _)| name).collect(),
        kind: OUTLETS_LOST,
        over: told.over,
        input: None,
        urgent: told.urgent,
        window: None,
        clears_in: None,
        sentence,
    }
    .message()
}

/// About the shop as a whole, or about no machine that is known.
pub fn shop_announcement(now: Now, kind: &str, input: Option<&Name>, sentence: &str) -> Json {
    Told {
        at: now,
        machines: Vec::new(),
        kind,
        over: false,
        input,
        urgent: false,
        window: None,
        clears_in: None,
        sentence,
    }
    .message()
}

pub fn incident(told: &IncidentTold, over: bool, sentence: &str) -> Json {
    Told {
        at: told.at,
        machines: vec![&told.machine],
        kind: told.kind.word(),
        over,
        input: None,
        urgent: told.urgent,
        window: None,
        clears_in: None,
        sentence,
    }
    .message()
}

pub fn machine_status(status: &MachineStatus, now: Now) -> Json {
    json!({
        "at": rfc3339(now.wall),
        "machine": status.machine.as_str(),
        "title": status.title.as_ref(),
        "outlet": status.outlet.map_or("unknown", Switch::word),
        "state": state_word(status.state),
        "reasons": status.reasons.iter().map(AsRef::as_ref).collect::<Vec<&str>>(),
        "clears_in_s": status.clears_in.map(Span::as_secs_f64),
        "idle_for_s": status.idle_for.map(Span::as_secs_f64),
        "window_left_s": status.window_left.map(Span::as_secs_f64),
        "deferral": status.deferral.as_ref().map(|deferral| json!({
            "by": deferral.by.as_str(),
            "acts_in_s": deferral.acts_in.map(Span::as_secs_f64),
            "expires_in_s": deferral.expires_in.as_secs_f64(),
        })),
        "next_schedule": status.next_schedule.as_ref().map(|firing| json!({
            "at": rfc3339(firing.at),
            "by": firing.by.as_str(),
            "request": firing.request.word(),
        })),
        "locked_by": status.locked_by.as_ref().map(ToString::to_string),
        "switching": status.switching.map(Switch::word),
        "waiting_requests": status.waiting,
        "incidents": status.incidents.iter().map(|kind| kind.word()).collect::<Vec<_>>(),
        "shadow": status.shadow,
        "signals": status.signals.iter().map(|signal| json!({
            "signal": signal.signal.as_str(),
            "value": signal.value.as_ref().map(value),
            "unit": signal.unit.as_ref(),
            "age_s": signal.age.map(Span::as_secs_f64),
        })).collect::<Vec<_>>(),
        "detectors": status.findings.iter().map(finding).collect::<Vec<_>>(),
    })
}

/// `guard` is "guarding" or "gone"; the last will says the latter.
pub fn health(guard: &str, facts: Json) -> Json {
    let mut all = json!({ "guard": guard, "version": env!("CARGO_PKG_VERSION") });
    if let (Some(all), Json::Object(facts)) = (all.as_object_mut(), facts) {
        all.extend(facts);
    }
    all
}

pub fn state_word(state: PermissiveState) -> &'static str {
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

fn finding(finding: &Finding) -> Json {
    let readings = finding.readings.iter().map(|(signal, unit, reading, age)| {
        json!({ "signal": signal.as_str(), "value": reading_value(reading), "unit": unit.as_ref(), "age_s": age.as_secs_f64() })
    });
    json!({
        "detector": finding.detector.as_str(),
        "state": verdict_word(finding.verdict),
        "reason": finding.reason.as_ref(),
        "role": finding.role.word(),
        "clears_in_s": finding.clears_in.map(Span::as_secs_f64),
        "readings": readings.collect::<Vec<_>>(),
    })
}

fn reading_value(reading: &Reading) -> Json {
    value(&reading.value)
}

fn value(value: &Value) -> Json {
    match value {
        Value::Number(number) => json!(number),
        Value::Text(text) => json!(text.as_ref()),
    }
}
