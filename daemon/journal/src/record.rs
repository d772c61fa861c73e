//! One thing worth remembering, and the bounded row it becomes. A row is never larger than [`BODY_BYTES_MAX`]
//! of body, whatever it was made from, so that queues bounded in rows are bounded in bytes too.

use std::fmt;
use std::sync::Arc;

use serde_json::Value;

use idlegate_guard::time::Now;
use idlegate_plan::event::Name;

/// A longer body is cut to its beginning.
pub(crate) const BODY_BYTES_MAX: usize = 16 * 1024;
/// Deeper JSON could not be read back: the parser stops at 128.
pub(crate) const BODY_DEPTH_MAX: usize = 32;
/// How much of a body that is too long is kept, so that a person still sees what it was.
const BODY_KEPT_BYTES: usize = 1024;

macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident = $word:literal,)*) => {
        /// What a record tells of. The words are part of the file format: new ones may come, none changes.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum RecordKind { $($(#[$doc])* $kind,)* }

        impl RecordKind {
            pub const ALL: &[RecordKind] = &[$(RecordKind::$kind,)*];

            pub const fn word(self) -> &'static str {
                match self { $(RecordKind::$kind => $word,)* }
            }

            /// Nothing for a word that a later version wrote.
            pub fn from_word(word: &str) -> Option<RecordKind> {
                match word { $($word => Some(RecordKind::$kind),)* _ => None }
            }
        }
    };
}

kinds! {
    /// A request and its one answer, with reasons, assessments and readings.
    Decision = "decision",
    /// An order sent to an outlet, or withheld in shadow mode.
    Order = "order",
    Incident = "incident",
    IncidentOver = "incident-over",
    Announcement = "announcement",
    /// New rules, taken or rejected.
    Reload = "reload",
    /// A lockout was set or released.
    Lockout = "lockout",
    /// A deferral was accepted, acted, cancelled or expired.
    Deferral = "deferral",
    /// The outlet reported a state.
    Outlet = "outlet",
    /// The connection to the broker.
    Link = "link",
    /// A machine became busy, idle or unknown.
    State = "state",
    /// A silence of a working machine that is over: it lasted, or it did not.
    Silence = "silence",
    /// A request that was decided in shadow mode, and what became of the outlet.
    Shadow = "shadow",
    /// Energy over a stretch of time.
    Energy = "energy",
    /// A machine's job is over: when it began, when and how it ended, what it drew.
    Job = "job",
    Start = "start",
    Stop = "stop",
    /// The journal could not be written for a while; written by the journal itself.
    Gap = "gap",
    /// A damaged journal file was set aside; written by the journal itself.
    SetAside = "set-aside",
}

impl fmt::Display for RecordKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// How soon a record must reach the disk.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Durability {
    /// With the next group, at most 200 ms later.
    #[default]
    Group,
    /// Without waiting for others: accepted requests, held, forced, emergency, lockout, deferral.
    AtOnce,
}

/// One thing worth remembering.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    pub kind: RecordKind,
    pub machine: Option<Name>,
    pub at: Now,
    /// A JSON object; its members by kind are described in SCHEMA.md.
    pub body: Value,
    pub durability: Durability,
}

impl Record {
    pub fn new(kind: RecordKind, at: Now, body: Value) -> Record {
        Record { kind, machine: None, at, body, durability: Durability::Group }
    }

    #[must_use]
    pub fn of(mut self, machine: Name) -> Record {
        self.machine = Some(machine);
        self
    }

    #[must_use]
    pub fn at_once(mut self) -> Record {
        self.durability = Durability::AtOnce;
        self
    }
}

/// A record as it is queued and stored: the body already one line of bounded JSON.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    pub kind: RecordKind,
    pub machine: Option<Name>,
    pub at: Now,
    pub body: Box<str>,
}

impl Row {
    pub(super) fn of(record: &Record) -> Row {
        let body = bounded_body(&record.body).into_boxed_str();
        Row { kind: record.kind, machine: record.machine.clone(), at: record.at, body }
    }
}

fn bounded_body(body: &Value) -> String {
    if !fits_depth(body, BODY_DEPTH_MAX) {
        return serde_json::json!({ "cut": true, "nested_deeper_than": BODY_DEPTH_MAX }).to_string();
    }
    let text = body.to_string();
    if text.len() <= BODY_BYTES_MAX {
        return text;
    }
    let mut end = BODY_KEPT_BYTES;
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    serde_json::json!({ "cut": true, "bytes": text.len(), "beginning": &text[..end] }).to_string()
}

fn fits_depth(value: &Value, left: usize) -> bool {
    match value {
        Value::Array(items) => left > 0 && items.iter().all(|item| fits_depth(item, left - 1)),
        Value::Object(members) => left > 0 && members.values().all(|member| fits_depth(member, left - 1)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => true,
    }
}

/// Which run of the computer a monotonic time belongs to: it starts anew with every boot.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BootId(Arc<str>);

impl BootId {
    const LEN_MAX: usize = 64;

    /// Where the service manager says it: the unit hides the kernel's own file, so it passes the id on (`%b` in
    /// systemd.unit(5)).
    pub const VARIABLE: &str = "IDLEGATE_BOOT_ID";

    /// The running computer's. Where nobody tells, "unknown", which equals no boot.
    pub fn current() -> BootId {
        let kernel = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok();
        BootId::told(kernel.as_deref(), std::env::var(BootId::VARIABLE).ok().as_deref())
    }

    /// The kernel's word comes first. The service manager leaves out the hyphens.
    fn told(kernel: Option<&str>, manager: Option<&str>) -> BootId {
        let hex = |text: &str| text.len() == 32 && text.bytes().all(|byte| byte.is_ascii_hexdigit());
        match (kernel, manager) {
            (Some(text), _) => BootId::new(text.trim()),
            (None, Some(text)) if hex(text) => BootId::new(&format!(
                "{}-{}-{}-{}-{}",
                &text[..8],
                &text[8..12],
                &text[12..16],
                &text[16..20],
                &text[20..]
            )),
            (None, Some(_) | None) => BootId::new(""),
        }
    }

    pub fn new(text: &str) -> BootId {
        let plain = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-';
        if text.is_empty() || text.len() > BootId::LEN_MAX || !text.bytes().all(plain) {
            return BootId("unknown".into());
        }
        BootId(text.into())
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Equals no run of any computer.
    pub fn is_unknown(&self) -> bool {
        self.as_str() == "unknown"
    }

    /// Whether monotonic times of both can be compared.
    pub(crate) fn is_same_run(&self, other: &BootId) -> bool {
        self == other && !self.is_unknown()
    }
}

impl fmt::Debug for BootId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_boot_is_known_behind_the_units_walls_too() {
        let kernel = "0c2f9a6e-3f3b-4d0e-9c55-1f6f0e2a7b11\n";
        let manager = "0c2f9a6e3f3b4d0e9c551f6f0e2a7b11";
        let known = BootId::told(Some(kernel), None);
        assert_eq!(known.as_str(), kernel.trim());
        assert!(known.is_same_run(&BootId::told(None, Some(manager))), "both say the same");
        for odd in [None, Some(""), Some("%b"), Some("0c2f9a6e"), Some("0c2f9a6e3f3b4d0e9c551f6f0e2a7bzz")] {
            assert_eq!(BootId::told(None, odd).as_str(), "unknown", "{odd:?}");
        }
    }
}
