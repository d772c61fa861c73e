//! What is kept of a machine, in the one form in which it is written down: on the broker for whoever guards next, and
//! in the second copy beside the journal. It refuses every member that it does not know, so that no other message can
//! be taken for one.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{
    HeldLonger, HeldOutlet, KEPT_LOCKS_MAX, KeptLockout, KeptService, KeptState, KeptUntil, RELEASED_MAX,
    Released, SERVICES_MAX,
};
use crate::event::{Name, NotAName};
use crate::text::rfc3339;
use idlegate_guard::time::{Span, WallTime};

/// No machine is locked that often, and the counter must have room above.
const REVISION_MAX: u64 = 1 << 52;
const LONGER_MAX: Span = Span::secs(3_600);
const SETTINGS_BYTES_MAX: usize = 64;
/// A name, or what somebody says of their lock.
pub const TEXT_CHARS_MAX: usize = 200;

// What is said of the members is also the description of the message.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct KeptNote {
    /// Missing in messages of the first version, which have no revision
    #[serde(default, skip_serializing_if = "Option::is_none")]
    kind: Option<Kind>,
    /// RFC 3339 in UTC, to the millisecond
    #[schemars(extend("format" = "date-time"))]
    at: String,
    #[schemars(regex(pattern = Name::PATTERN))]
    machine: String,
    /// Counts every change of this machine, whoever guarded; what is newer goes by it and not by any clock
    #[serde(default)]
    revision: u64,
    lockout: Option<LockoutNote>,
    deferral: Option<DeferralNote>,
    /// Only while somebody's word holds that it stays on
    #[serde(default, skip_serializing_if = "Option::is_none")]
    kept_on: Option<DeferralNote>,
    /// Only where several hold the machine: those besides the first
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = KEPT_LOCKS_MAX))]
    further_lockouts: Vec<LockoutNote>,
    /// Lockouts that somebody has released, the newest last
    #[serde(default)]
    #[schemars(length(max = RELEASED_MAX))]
    released: Vec<ReleasedNote>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    held_longer: Option<LongerNote>,
    /// Only where the rules have services: what is counted until each is due again
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(length(max = SERVICES_MAX))]
    services: Vec<ServiceNote>,
    /// HMAC-SHA-256 of topic and content, where the rules have a secret for it
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = "^[0-9a-f]{64}$"))]
    pub digest: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
enum Kind {
    #[serde(rename = "kept")]
    Kept,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct LockoutNote {
    #[schemars(regex(pattern = Name::PATTERN))]
    by: String,
    emergency: bool,
    /// With which it came into force
    #[serde(default)]
    revision: u64,
    #[serde(default)]
    outlet: Option<OutletNote>,
    /// Whose lock it is, by the sender's word, where several share an input
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = TEXT_CHARS_MAX))]
    who: Option<String>,
    /// What they say of it
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = TEXT_CHARS_MAX))]
    note: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("format" = "date-time"))]
    since: Option<String>,
}

/// What a machine did since it was serviced last
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct ServiceNote {
    #[schemars(regex(pattern = Name::PATTERN))]
    service: String,
    /// Counts the services
    nth: u64,
    /// Milliseconds, or times
    counted: u64,
    #[schemars(extend("format" = "date-time"))]
    since: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = Name::PATTERN))]
    by: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = TEXT_CHARS_MAX))]
    who: Option<String>,
    told: bool,
}

impl ServiceNote {
    fn of(service: &KeptService) -> ServiceNote {
        ServiceNote {
            service: service.name.to_string(),
            nth: service.nth,
            counted: service.counted,
            since: rfc3339(service.since),
            by: service.by.as_ref().map(Name::to_string),
            who: service.who.as_deref().map(str::to_owned),
            told: service.told,
        }
    }

    fn read(&self) -> Result<KeptService, BadNote> {
        Ok(KeptService {
            name: Name::new(&self.service)?,
            nth: self.nth,
            counted: self.counted,
            since: time(&self.since)?,
            by: self.by.as_deref().map(Name::new).transpose()?,
            who: short(self.who.as_deref())?,
            told: self.told,
        })
    }
}

/// What somebody wrote, no longer than it is shown.
fn short(text: Option<&str>) -> Result<Option<Arc<str>>, BadNote> {
    match text {
        Some(text) if text.chars().count() > TEXT_CHARS_MAX => Err(BadNote::Bounds),
        Some(text) => Ok(Some(text.into())),
        None => Ok(None),
    }
}

/// The outlet that it holds, whatever its machine is called
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct OutletNote {
    topic: String,
    on: String,
    off: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct DeferralNote {
    #[schemars(regex(pattern = Name::PATTERN))]
    by: String,
    #[schemars(extend("format" = "date-time"))]
    expires: String,
    /// What was left of it at the time of the message, in case a clock is wrong
    #[schemars(range(min = 0))]
    remaining_s: f64,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct ReleasedNote {
    #[schemars(regex(pattern = Name::PATTERN))]
    by: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(length(max = TEXT_CHARS_MAX))]
    who: Option<String>,
    revision: u64,
}

/// Only of a machine that went back to work within 15 min after it counted as idle: how much longer than its detectors
/// ask for it is held, until somebody has looked
// Times in whole milliseconds: a fraction may come back from its decimals as another.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct LongerNote {
    #[schemars(range(max = LONGER_MAX.0))]
    by_ms: u64,
    idle_for_ms: u64,
    #[schemars(extend("format" = "date-time"))]
    since: String,
    /// Tells the settings under which it was learned from others
    #[schemars(length(max = SETTINGS_BYTES_MAX))]
    settings: String,
}

impl LongerNote {
    fn of(longer: &HeldLonger) -> LongerNote {
        let (by_ms, idle_for_ms) = (longer.by.0, longer.idle_for.0);
        LongerNote { by_ms, idle_for_ms, since: rfc3339(longer.since), settings: longer.settings.clone() }
    }

    fn read(&self) -> Result<HeldLonger, BadNote> {
        // Nobody is held longer than that; what somebody else wrote there must not hold a machine for ever.
        if self.by_ms > LONGER_MAX.0 || self.settings.len() > SETTINGS_BYTES_MAX {
            return Err(BadNote::Bounds);
        }
        let (by, idle_for) = (Span(self.by_ms), Span(self.idle_for_ms));
        Ok(HeldLonger { by, idle_for, since: time(&self.since)?, settings: self.settings.clone() })
    }
}

/// What a lockout has besides its holder, as the journal keeps it.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    revision: u64,
    lockout: Option<LockoutNote>,
    released: Vec<ReleasedNote>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    held_longer: Option<LongerNote>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    kept_on: Option<DeferralNote>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    further_lockouts: Vec<LockoutNote>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    services: Vec<ServiceNote>,
}

impl Mark {
    /// Nothing for a state as an earlier version keeps it.
    pub fn text(state: &KeptState) -> Option<String> {
        let plain =
            |lockout: &KeptLockout| *lockout == KeptLockout::new(lockout.by.clone(), lockout.emergency);
        let is_plain = state.revision == 0
            && state.released.is_empty()
            && state.longer.is_none()
            && state.kept_on.is_none()
            && state.services.is_empty();
        if is_plain && state.locks.len() < 2 && state.lockout().is_none_or(plain) {
            return None;
        }
        let (lockout, further_lockouts) = notes_of(&state.locks);
        let mark = Mark {
            revision: state.revision,
            lockout,
            released: state.released.iter().map(ReleasedNote::of).collect(),
            held_longer: state.longer.as_ref().map(LongerNote::of),
            kept_on: state.kept_on.as_ref().map(DeferralNote::of),
            further_lockouts,
            services: state.services.iter().map(ServiceNote::of).collect(),
        };
        Some(serde_json::to_string(&mark).expect("texts and numbers are JSON"))
    }

    /// The state with what this says of it; nothing if they do not belong together.
    pub fn put(text: &str, state: KeptState) -> Option<KeptState> {
        let mark: Mark = serde_json::from_str(text).ok()?;
        let locks = read_locks(mark.lockout.as_ref(), &mark.further_lockouts).ok()?;
        let of = |lockout: Option<&KeptLockout>| lockout.map(|it| (it.by.clone(), it.emergency));
        if of(state.lockout()) != of(locks.first()) {
            return None;
        }
        let services = mark.services.iter().map(ServiceNote::read).collect::<Result<_, _>>().ok()?;
        let released = mark.released.iter().map(ReleasedNote::read).collect::<Result<_, _>>().ok()?;
        let longer = mark.held_longer.as_ref().map(LongerNote::read).transpose().ok()?;
        let kept_on = mark.kept_on.as_ref().map(DeferralNote::read).transpose().ok()?;
        let (deferral, job, revision) = (state.deferral, state.job, mark.revision);
        Some(KeptState { locks, deferral, kept_on, longer, services, revision, released, job })
    }
}

impl LockoutNote {
    fn of(lockout: &KeptLockout) -> LockoutNote {
        let outlet = |held: &HeldOutlet| OutletNote {
            topic: held.topic.clone(),
            on: held.on.clone(),
            off: held.off.clone(),
        };
        LockoutNote {
            by: lockout.by.to_string(),
            emergency: lockout.emergency,
            revision: lockout.revision,
            outlet: lockout.outlet.as_ref().map(outlet),
            who: lockout.who.as_deref().map(str::to_owned),
            note: lockout.note.as_deref().map(str::to_owned),
            since: lockout.since.map(rfc3339),
        }
    }

    fn read(&self) -> Result<KeptLockout, BadNote> {
        let outlet = |outlet: &OutletNote| HeldOutlet {
            topic: outlet.topic.clone(),
            on: outlet.on.clone(),
            off: outlet.off.clone(),
        };
        Ok(KeptLockout {
            by: Name::new(&self.by)?,
            who: short(self.who.as_deref())?,
            note: short(self.note.as_deref())?,
            since: self.since.as_deref().map(time).transpose()?,
            emergency: self.emergency,
            revision: self.revision,
            outlet: self.outlet.as_ref().map(outlet),
        })
    }
}

/// The first, which every version knows, and the others.
fn notes_of(locks: &[KeptLockout]) -> (Option<LockoutNote>, Vec<LockoutNote>) {
    let mut notes = locks.iter().map(LockoutNote::of);
    (notes.next(), notes.collect())
}

fn read_locks(first: Option<&LockoutNote>, further: &[LockoutNote]) -> Result<Vec<KeptLockout>, BadNote> {
    if first.is_none() && !further.is_empty() {
        return Err(BadNote::Bounds);
    }
    first.into_iter().chain(further).map(LockoutNote::read).collect()
}

impl ReleasedNote {
    fn of(released: &Released) -> ReleasedNote {
        let who = released.who.as_deref().map(str::to_owned);
        ReleasedNote { by: released.by.to_string(), who, revision: released.revision }
    }

    fn read(&self) -> Result<Released, BadNote> {
        let who = short(self.who.as_deref())?;
        Ok(Released { by: Name::new(&self.by)?, who, revision: self.revision })
    }
}

/// Why it is no note.
#[derive(Debug, thiserror::Error)]
pub enum BadNote {
    #[error("it is not what Idlegate writes there: {0}")]
    Form(#[from] serde_json::Error),
    #[error(transparent)]
    Name(#[from] NotAName),
    #[error("\"{0}\" is not a time")]
    Time(String),
    #[error("its revision or its list of releases is out of bounds")]
    Bounds,
}

impl KeptNote {
    pub fn of(machine: &Name, state: &KeptState, at: WallTime) -> KeptNote {
        let (lockout, further_lockouts) = notes_of(&state.locks);
        KeptNote {
            kind: Some(Kind::Kept),
            at: rfc3339(at),
            machine: machine.to_string(),
            revision: state.revision,
            lockout,
            further_lockouts,
            services: state.services.iter().map(ServiceNote::of).collect(),
            deferral: state.deferral.as_ref().map(DeferralNote::of),
            kept_on: state.kept_on.as_ref().map(DeferralNote::of),
            released: state.released.iter().map(ReleasedNote::of).collect(),
            held_longer: state.longer.as_ref().map(LongerNote::of),
            digest: None,
        }
    }

    pub fn parse(payload: &[u8]) -> Result<KeptNote, BadNote> {
        Ok(serde_json::from_slice(payload)?)
    }

    /// What it says, and of which machine.
    pub fn read(&self) -> Result<(Name, KeptState), BadNote> {
        let revisions = self.released.iter().map(|released| released.revision);
        let locks = self.lockout.iter().chain(&self.further_lockouts);
        let mut revisions = revisions.chain(locks.map(|lockout| lockout.revision));
        let unmarked = self.kind.is_none() && (self.revision > 0 || !self.released.is_empty());
        let too_many = self.further_lockouts.len() >= KEPT_LOCKS_MAX || self.services.len() > SERVICES_MAX;
        let out_of_order = revisions.any(|revision| revision > self.revision);
        if unmarked
            || out_of_order
            || self.revision > REVISION_MAX
            || self.released.len() > RELEASED_MAX
            || too_many
        {
            return Err(BadNote::Bounds);
        }
        time(&self.at)?;
        let released = self.released.iter().map(ReleasedNote::read).collect::<Result<_, _>>()?;
        let state = KeptState {
            locks: read_locks(self.lockout.as_ref(), &self.further_lockouts)?,
            services: self.services.iter().map(ServiceNote::read).collect::<Result<_, _>>()?,
            deferral: self.deferral.as_ref().map(DeferralNote::read).transpose()?,
            kept_on: self.kept_on.as_ref().map(DeferralNote::read).transpose()?,
            longer: self.held_longer.as_ref().map(LongerNote::read).transpose()?,
            revision: self.revision,
            released,
            job: None,
        };
        Ok((Name::new(&self.machine)?, state))
    }

    /// Everything it says, in a text that is the same for writer and reader: for its digest. In it a time is a whole
    /// number of milliseconds, since a fraction may come back from its decimals as another.
    pub fn to_seal(&self) -> String {
        let deferral = self.deferral.as_ref().map(DeferralNote::sealed);
        let mut text =
            json(&(&self.at, &self.machine, self.revision, &self.lockout, deferral, &self.released));
        // Only where it is there: what an earlier version has sealed stays sealed.
        text.extend(self.held_longer.as_ref().map(json));
        text.extend(Some(&self.further_lockouts).filter(|it| !it.is_empty()).map(json));
        text.extend(Some(&self.services).filter(|it| !it.is_empty()).map(json));
        text.extend(self.kept_on.as_ref().map(|kept| format!("kept-on{}", json(&kept.sealed()))));
        text
    }

    pub fn to_text(&self) -> String {
        serde_json::to_string(self).expect("texts and numbers are JSON")
    }
}

impl DeferralNote {
    fn of(kept: &KeptUntil) -> DeferralNote {
        DeferralNote {
            by: kept.by.to_string(),
            expires: rfc3339(kept.expires),
            remaining_s: kept.remaining.as_secs_f64(),
        }
    }

    /// To seal: a whole number of milliseconds comes back from its decimals as it was.
    fn sealed(&self) -> (&str, &str, String) {
        (&self.by, &self.expires, (self.remaining_s * 1_000.0).round().to_string())
    }

    fn read(&self) -> Result<KeptUntil, BadNote> {
        let remaining = Duration::try_from_secs_f64(self.remaining_s)
            .map_err(|_| BadNote::Time(self.remaining_s.to_string()))?;
        Ok(KeptUntil {
            by: Name::new(&self.by)?,
            expires: time(&self.expires)?,
            remaining: Span::from(remaining),
        })
    }
}

fn json(part: &impl Serialize) -> String {
    serde_json::to_string(part).expect("texts and numbers are JSON")
}

pub fn time(text: &str) -> Result<WallTime, BadNote> {
    let at: Timestamp = text.parse().map_err(|_| BadNote::Time(text.to_owned()))?;
    Ok(WallTime(at.as_millisecond()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn full() -> KeptState {
        let name = |text: &str| Name::new(text).unwrap();
        let outlet = HeldOutlet { topic: "o/1".to_owned(), on: "on".to_owned(), off: "off\n".to_owned() };
        KeptState {
            locks: vec![
                KeptLockout { revision: 7, outlet: Some(outlet), ..KeptLockout::new(name("red"), true) },
                KeptLockout {
                    who: Some("Anna".into()),
                    note: Some("the belt is off".into()),
                    since: Some(WallTime(1_795_574_299_000)),
                    revision: 8,
                    ..KeptLockout::new(name("phone"), false)
                },
            ],
            services: vec![KeptService {
                name: name("lens"),
                nth: 2,
                counted: 187_200_000,
                since: WallTime(1_795_574_209_120),
                by: Some(name("phone")),
                who: Some("Ben".into()),
                told: true,
            }],
            deferral: Some(KeptUntil {
                by: name("night"),
                expires: WallTime(1_795_574_309_120),
                remaining: Span(90_123),
            }),
            kept_on: Some(KeptUntil {
                by: name("panel"),
                expires: WallTime(1_795_574_409_120),
                remaining: Span(190_123),
            }),
            longer: Some(HeldLonger {
                by: Span::secs(360),
                idle_for: Span(240_123),
                since: WallTime(1_795_574_209_120),
                settings: "0123456789abcdef".to_owned(),
            }),
            revision: 9,
            job: None,
            released: vec![Released { by: name("panel"), who: Some("Cleo".into()), revision: 3 }],
        }
    }

    #[test]
    fn what_is_written_is_what_is_read() {
        let machine = Name::new("kiln").unwrap();
        for state in [full(), KeptState::default()] {
            let written = KeptNote::of(&machine, &state, WallTime(1_795_574_300_000));
            let note = KeptNote::parse(written.to_text().as_bytes()).unwrap();
            assert_eq!(note.read().unwrap(), (machine.clone(), state));
            assert_eq!(note.to_seal(), written.to_seal());
        }
    }

    #[test]
    fn whatever_else_comes_on_that_topic_is_refused() {
        let at = r#""at":"2026-11-25T02:31:49Z","machine":"kiln","lockout":null"#;
        for payload in [
            "{".to_owned(),
            "[]".to_owned(),
            // An answer that somebody had sent here.
            format!(r#"{{{at},"deferral":null,"decision":"refused"}}"#),
            format!(r#"{{{at},"deferral":null,"kind":"health","revision":1}}"#),
            format!(r#"{{{at},"deferral":null,"revision":1}}"#),
            format!(r#"{{{at},"deferral":null,"kind":"kept","revision":18446744073709551615}}"#),
            format!(r#"{{{at},"deferral":{{"by":"night","expires":"soon","remaining_s":1}}}}"#),
            format!(r#"{{{at},"deferral":{{"by":"night","expires":"2026-11-25T02:31:49Z","remaining_s":-1}}}}"#),
            r#"{"at":"","machine":"kiln","lockout":null,"deferral":null}"#.to_owned(),
            r#"{"at":"2026-11-25T02:31:49Z","machine":"kiln","lockout":{"by":"no name!","emergency":true},"deferral":null}"#
                .to_owned(),
            r#"{"at":"2026-11-25T02:31:49Z","machine":"kiln","lockout":{"by":"red","emergency":true,"revision":3},"deferral":null}"#
                .to_owned(),
        ] {
            let read = KeptNote::parse(payload.as_bytes()).and_then(|note| note.read());
            assert!(read.is_err(), "{payload}");
        }
    }

    #[test]
    fn a_note_of_the_first_version_is_read_as_revision_0() {
        let old = r#"{"at":"2026-11-25T02:31:49Z","machine":"kiln","lockout":{"by":"red","emergency":true},"deferral":null}"#;
        let (machine, state) = KeptNote::parse(old.as_bytes()).unwrap().read().unwrap();
        assert_eq!((machine.as_str(), state.revision), ("kiln", 0));
        assert!(state.lockout().unwrap().emergency);
    }
}
