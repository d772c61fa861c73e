//! What counts where the rules say nothing. The compiler of the rules takes it from here, and the page of the keys
//! prints it from here, so that no sentence names a default that is not the one.

use std::fmt;

use idlegate_guard::time::Span;
use idlegate_guard::{Place, Policy};
use idlegate_plan::{BlindLimits, JobRules, Role, Stage, Watch};

pub(crate) const POLICY: Policy = Policy::UNLESS_SET;
pub(crate) const BLIND: BlindLimits = BlindLimits::UNLESS_SET;

pub(crate) const PREFIX: &str = "idlegate";
pub(crate) const CLIENT_ID: &str = "idlegate";
pub(crate) const PORT: u16 = 1883;
pub(crate) const PORT_WITH_TLS: u16 = 8883;
pub(crate) const KEEP_ALIVE: Span = Span::secs(10);
/// As long as people still talk about it.
pub(crate) const KEEP_NAMES: Span = Span::secs(30 * 86_400);
pub(crate) const DETECTOR_MEMORY_MIB: u16 = idlegate_plan::DETECTOR_MEMORY_MIB;
pub(crate) const CONTINUOUS_SHARE: f64 = 1.0;

pub(crate) const JOBS: JobRules = JobRules::UNLESS_SET;
pub(crate) const STAGE: Stage = Stage::Work;

pub(crate) const HOLD_LONGER: bool = true;
pub(crate) const SPEAK_IN_SHADOW: bool = false;

pub(crate) const RESIDUAL_WATTS: f64 = 5.0;
pub(crate) const EXPIRY: Span = Span::secs(2);
pub(crate) const SCALE: f64 = 1.0;
pub(crate) const OFFSET: f64 = 0.0;
pub(crate) const STALE_AFTER: Span = Span::secs(30);
pub(crate) const SILENT_MAX: Span = Span::secs(90);
pub(crate) const ASK_EVERY: Span = Span::secs(30);
pub(crate) const ROLE: Role = Role::Hold;
pub(crate) const WATCH: Watch = Watch::UNLESS_SET;
pub(crate) const RUN_ON: Span = Span::ZERO;

/// Reading an answer and answering it takes longer than pressing a button again.
pub(crate) const REMOTE_WINDOW: Span = Span::secs(60);
/// Whoever pushes a button is in the shop.
pub(crate) const PLACE: Place = Place::Shop;
pub(crate) const PLACE_WITHOUT_TOPIC: Place = Place::Remote;

/// A default, which reads as the rules would have it written.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Fallback {
    Duration(Span),
    Number(f64),
    Count(u16),
    Switch(bool),
    /// One of the words that a key knows.
    Word(&'static str),
    Text(&'static str),
    /// The name of the key, as a text.
    ItsName,
}

impl Fallback {
    /// As a sentence about this key has it.
    pub(crate) fn of(self, key: &'static str) -> Shown {
        Shown { fallback: self, key }
    }
}

/// A default of one key.
pub(crate) struct Shown {
    fallback: Fallback,
    key: &'static str,
}

impl fmt::Display for Shown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.fallback {
            Fallback::Duration(span) => f.write_str(&as_written(span)),
            Fallback::Number(number) => write!(f, "{number}"),
            Fallback::Count(count) => write!(f, "{count}"),
            Fallback::Switch(switch) => write!(f, "{switch}"),
            Fallback::Word(word) => f.write_str(word),
            Fallback::Text(text) => write!(f, "\"{text}\""),
            Fallback::ItsName => write!(f, "\"{}\"", self.key),
        }
    }
}

/// In the largest unit that leaves no rest, but a minute in seconds, as people write it: "15min", "90s", "60s", "1d".
fn as_written(span: Span) -> String {
    const UNITS: [(u64, u64, &str); 4] =
        [(86_400_000, 1, "d"), (3_600_000, 1, "h"), (60_000, 2, "min"), (1_000, 1, "s")];
    let millis = span.millis();
    let fits = |(size, least, _): &&(u64, u64, &str)| millis.is_multiple_of(*size) && millis / size >= *least;
    match UNITS.iter().find(fits) {
        Some((size, _, unit)) => format!("{}{unit}", millis / size),
        None => format!("{millis}ms"),
    }
}

#[cfg(test)]
#[path = "defaults_tests.rs"]
mod tests;
