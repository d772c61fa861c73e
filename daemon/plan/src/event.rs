//! What happens, as plain data: the one closed set of events the engine is told about.
//!
//! Nothing here does anything. A new kind of fact from outside is a new variant here, so that the compiler
//! shows every place that must know of it.

use std::fmt;
use std::sync::Arc;

use bytes::Bytes;

use super::ModuleSource;
use super::index::DetectorIx;
use idlegate_guard::time::{Moment, Span};

/// The name of a machine, signal, input, gesture or detector: `[a-z0-9-]{1,32}`, so that it is safe as a topic
/// level, a file name and a word in a log line.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(Arc<str>);

/// Why a text is not a [`Name`].
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is not a name; names are 1 to 32 of the characters a-z, 0-9 and -")]
pub struct NotAName(pub String);

impl std::str::FromStr for Name {
    type Err = NotAName;

    fn from_str(text: &str) -> Result<Name, NotAName> {
        Name::new(text)
    }
}

impl Name {
    pub const LEN_MAX: usize = 32;
    /// The same as a regular expression, for descriptions.
    pub const PATTERN: &str = "^[a-z0-9-]{1,32}$";

    pub fn new(text: &str) -> Result<Name, NotAName> {
        let allowed = |byte: u8| matches!(byte, b'a'..=b'z' | b'0'..=b'9' | b'-');
        if text.is_empty() || text.len() > Name::LEN_MAX || !text.bytes().all(allowed) {
            return Err(NotAName(text.chars().take(64).collect()));
        }
        Ok(Name(text.into()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(&self.0, f)
    }
}

/// A sender's id of an event counts up to here; the first bytes tell two events apart.
pub const EVENT_ID_BYTES_MAX: usize = 128;

/// A message that can have waited no longer than this counts as just come in.
const LAG_TOLERATED: Span = Span(500);

/// A message as the link hands it over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    pub topic: Arc<str>,
    pub payload: Bytes,
    /// The broker delivered it from its store, or the sender asked for it to be stored.
    pub retained: bool,
    /// Its subscription had been proved before it came: it does not come from the store that a subscription opens.
    pub proved: bool,
    /// It bears the mark of an order from this shop's Idlegate, whichever of its daemons sent it. Anybody could write
    /// that mark: it tells our own orders from those of others, and proves nothing.
    pub ours: bool,
    /// The longest time it may have waited in sockets and queues before it was looked at.
    pub age: Span,
    /// MQTT 5: where an answer is wanted, and what to send back with it.
    pub response_topic: Option<Arc<str>>,
    pub correlation: Option<Bytes>,
}

impl Message {
    /// Whether it says how something was, and not how it is.
    ///
    /// The flag alone decides, unless the sender is known to put it on everything: also a bridge between two brokers
    /// brings back with the flag what had been stored. Of a sender that stores, what comes after its subscription was
    /// proved is live.
    pub fn stored(&self, sender_stores: bool) -> bool {
        self.retained && !(sender_stores && self.proved)
    }

    /// How long ago it counts as sent: one that can have waited only for a moment counts as just come in; beyond, its
    /// content is as old as it may be.
    pub fn waited(&self) -> Span {
        if self.age <= LAG_TOLERATED { Span::ZERO } else { self.age }
    }
}

/// Which of the two connections to the broker something came over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Line {
    #[default]
    Main,
    /// Reads nothing but the topics of emergency inputs, so that no flood stands in its way.
    Emergency,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkState {
    /// Connected and subscribed, proved by a message of our own that came back.
    Up,
    Down {
        why: String,
    },
}

/// One value of a signal.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// Never NaN, never infinite.
    Number(f64),
    Text(Arc<str>),
}

/// A value at a time.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    pub at: Moment,
    pub value: Value,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    Busy,
    Idle,
    Unknown,
}

/// Where a detector works.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DetectorId {
    pub machine: Name,
    pub detector: DetectorIx,
}

/// A detector to be loaded for a machine, in place of the one that was there.
#[derive(Clone, Debug, PartialEq)]
pub struct Install {
    pub id: DetectorId,
    pub generation: u64,
    pub module: ModuleSource,
    /// A JSON object.
    pub settings: serde_json::Value,
    /// The machine's signal behind each signal the detector declares.
    pub signals: Vec<Option<Name>>,
}

/// Readings for one detector, and a question.
#[derive(Clone, Debug, PartialEq)]
pub struct Feed {
    pub id: DetectorId,
    /// The installation that is meant; feeds for another are dropped.
    pub generation: u64,
    /// Counts the feeds of this installation, and comes back with the answer.
    pub feed: u64,
    /// By index into the signals the detector declares.
    pub readings: Vec<(u32, Reading)>,
    /// The time it is to be asked about.
    pub assess_at: Moment,
}

/// What a detector says of its machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Assessment {
    pub verdict: Verdict,
    /// A short clause with numbers: "118 W, busy above 40 W".
    pub reason: Arc<str>,
    /// Signal name and reading, at most a handful.
    pub evidence: Vec<(Name, Reading)>,
    /// A lower bound of the time until it may say idle.
    pub clears_in: Option<Span>,
}

/// An assessment, or the reason why there is none, on its way back from a worker thread.
#[derive(Clone, Debug, PartialEq)]
pub struct Assessed {
    pub machine: Name,
    pub detector: DetectorIx,
    /// The instance it comes from; answers of an instance that was replaced meanwhile are dropped.
    pub generation: u64,
    /// How many feeds this instance had taken in when it spoke.
    pub feed: u64,
    /// The time it was asked about.
    pub at: Moment,
    pub outcome: Result<Assessment, DetectorFault>,
}

/// Why a detector gave no assessment. All of them mean unknown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DetectorFault {
    /// Could not be loaded or refused its settings; stays so until the file or the rules change.
    NotLoaded(String),
    /// It stopped in the middle of a call; it is being rebuilt from history.
    Stopped(String),
    /// It was shown more than it could take, and starts over. There was too much to do; no fault of its own.
    FellBehind(String),
    /// Stopped three times in a row; not tried again until its file changes.
    Quarantined(String),
}

/// What only the service can see of itself.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ServiceSight {
    /// Why nothing is recorded, although it should be.
    pub journal_out: Option<Arc<str>>,
    /// What the computer's clock says, if it cannot be right.
    pub clock_unset: Option<Arc<str>>,
    /// The broker delivers what has expired.
    pub late_broker: bool,
}

/// Everything the engine is ever told.
#[derive(Clone, Debug)]
pub enum Event {
    Message(Message),
    /// One that was heard by somebody else while nobody guarded, and that nobody has answered.
    MissedPress(Message),
    Link(LinkState),
    /// Over the connection for emergencies: nothing but an emergency counts that comes this way. Whatever else an
    /// emergency input says comes over the main one as well, in its turn among the readings.
    EmergencyMessage(Message),
    EmergencyLink(LinkState),
    /// So many messages of this input were dropped on the way, because more of them waited than anybody can mean.
    Unheard {
        input: Name,
        count: u64,
    },
    Assessed(Assessed),
    /// How the service around the engine is.
    Service(ServiceSight),
    /// Nothing but the passing of time: a deadline the engine asked for has come.
    Tick,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_safe_in_topics_files_and_logs() {
        for good in ["mill", "resin-printer", "kiln-2", &"a".repeat(32)] {
            assert!(Name::new(good).is_ok(), "{good}");
        }
        for bad in ["", "../x", "/etc", "Mill", "a b", "a\0b", "é", "a/b", "a\n", &"a".repeat(33)] {
            assert!(Name::new(bad).is_err(), "{bad:?}");
        }
    }
}
