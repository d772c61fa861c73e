//! What a detector answers.

use crate::{Reading, Span};

/// Whether the machine works, as far as a detector can see.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// The machine works; power must not be cut.
    Busy,
    /// The machine does nothing that would suffer from a cut.
    Idle,
    /// The detector is not sure. The guard treats it as busy.
    Unknown,
}

/// A verdict with its reason, its evidence and, if it can be told, the time until it clears.
///
/// ```
/// use idlegate_detector::{Assessment, Millis, Reading, Span, Verdict};
///
/// let reading = Reading::number(0, Millis(5_000), 12.0);
/// let assessment = Assessment::busy("12 W for 5 s, idle after 3 min below 35 W")
///     .because(&reading)
///     .clears_in(Span::from_secs(175));
/// assert_eq!(assessment.verdict, Verdict::Busy);
/// assert_eq!(assessment.evidence, [reading]);
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// Busy, idle or unknown.
    pub verdict: Verdict,
    /// A short clause with numbers for a person to hear: "118 W, busy above 40 W".
    pub reason: String,
    /// The readings the verdict rests on, at most a handful.
    pub evidence: Vec<Reading>,
    /// The least time from now until the detector may say idle. A lower bound, never a promise.
    pub clears_in: Option<Span>,
}

impl Assessment {
    /// An assessment without evidence and without a time.
    pub fn new(verdict: Verdict, reason: impl Into<String>) -> Self {
        Assessment { verdict, reason: reason.into(), evidence: Vec::new(), clears_in: None }
    }

    /// The machine works.
    pub fn busy(reason: impl Into<String>) -> Self {
        Assessment::new(Verdict::Busy, reason)
    }

    /// The machine is idle.
    pub fn idle(reason: impl Into<String>) -> Self {
        Assessment::new(Verdict::Idle, reason)
    }

    /// The detector is not sure, and the reason says what it lacks.
    pub fn unknown(reason: impl Into<String>) -> Self {
        Assessment::new(Verdict::Unknown, reason)
    }

    /// Adds a reading the verdict rests on.
    #[must_use]
    pub fn because(mut self, reading: &Reading) -> Self {
        self.evidence.push(reading.clone());
        self
    }

    /// States the least time from now until the detector may say idle.
    #[must_use]
    pub fn clears_in(mut self, at_least: Span) -> Self {
        self.clears_in = Some(at_least);
        self
    }
}
