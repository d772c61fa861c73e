//! What a detector answers.

use crate::{Reading, Span};

/// Whether the machine is working, as far as a detector can see.
///
/// ```
/// use idlegate_detector::{Assessment, Verdict};
///
/// let unsure = Assessment::unknown("no power reading yet");
/// assert_eq!(unsure.verdict, Verdict::Unknown);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// The machine is working; power must not be cut.
    Busy,
    /// The machine is doing nothing that a power cut would spoil.
    Idle,
    /// The detector is not sure. The guard treats it as busy.
    Unknown,
}

/// A verdict with its reason, its evidence and, if that is known, the time until it clears.
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
    ///
    /// ```
    /// use idlegate_detector::{Assessment, Verdict};
    ///
    /// let assessment = Assessment::new(Verdict::Idle, "12 W, busy above 40 W");
    /// assert_eq!((assessment.evidence.len(), assessment.clears_in), (0, None));
    /// ```
    pub fn new(verdict: Verdict, reason: impl Into<String>) -> Self {
        Assessment { verdict, reason: reason.into(), evidence: Vec::new(), clears_in: None }
    }

    /// The machine is working.
    ///
    /// ```
    /// use idlegate_detector::{Assessment, Verdict};
    ///
    /// assert_eq!(Assessment::busy("118 W, busy above 40 W").verdict, Verdict::Busy);
    /// ```
    pub fn busy(reason: impl Into<String>) -> Self {
        Assessment::new(Verdict::Busy, reason)
    }

    /// The machine is idle.
    ///
    /// ```
    /// use idlegate_detector::{Assessment, Verdict};
    ///
    /// assert_eq!(Assessment::idle("12 W for 3 min").verdict, Verdict::Idle);
    /// ```
    pub fn idle(reason: impl Into<String>) -> Self {
        Assessment::new(Verdict::Idle, reason)
    }

    /// The detector is not sure, and the reason says what is missing.
    ///
    /// ```
    /// use idlegate_detector::Assessment;
    ///
    /// assert_eq!(Assessment::unknown("no power reading yet").reason, "no power reading yet");
    /// ```
    pub fn unknown(reason: impl Into<String>) -> Self {
        Assessment::new(Verdict::Unknown, reason)
    }

    /// Adds a reading the verdict rests on.
    ///
    /// ```
    /// use idlegate_detector::{Assessment, Millis, Reading};
    ///
    /// let power = Reading::number(0, Millis(5_000), 118.0);
    /// assert_eq!(Assessment::busy("118 W").because(&power).evidence, [power]);
    /// ```
    #[must_use]
    pub fn because(mut self, reading: &Reading) -> Self {
        self.evidence.push(reading.clone());
        self
    }

    /// States the least time from now until the detector may say idle.
    ///
    /// ```
    /// use idlegate_detector::{Assessment, Span};
    ///
    /// let cooling = Assessment::busy("bed at 61 Cel, safe below 40 Cel").clears_in(Span::from_mins(9));
    /// assert_eq!(cooling.clears_in, Some(Span::from_mins(9)));
    /// ```
    #[must_use]
    pub fn clears_in(mut self, at_least: Span) -> Self {
        self.clears_in = Some(at_least);
        self
    }
}
