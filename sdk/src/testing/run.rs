//! A detector under test, and what it said.

use super::Recording;
use crate::screen::Screened;
use crate::{Assessment, Detector, Millis, Reading, SettingsError, Span, Verdict};

/// A detector under test, fed step by step.
///
/// ```
/// # use idlegate_detector::*;
/// # #[derive(serde::Deserialize, schemars::JsonSchema)] struct NoSettings {}
/// # struct Watch(Option<Millis>);
/// # impl Detector for Watch {
/// #     type Settings = NoSettings;
/// #     const DESCRIPTION: Description = Description {
/// #         name: "watch", version: "1.0.0", purpose: "busy for a second", signals: &[Signal::number("power", "W", "")],
/// #     };
/// #     fn new(_: NoSettings) -> Result<Self, SettingsError> { Ok(Watch(None)) }
/// #     fn observe(&mut self, r: &Reading) { self.0 = Some(r.at); }
/// #     fn assess(&mut self, now: Millis) -> Assessment {
/// #         match self.0 {
/// #             None => Assessment::unknown("nothing read yet"),
/// #             Some(at) if now.since(at) < Span::from_secs(1) => Assessment::busy("just read"),
/// #             Some(_) => Assessment::idle("read a while ago"),
/// #         }
/// #     }
/// # }
/// # fn main() -> Result<(), SettingsError> {
/// use idlegate_detector::testing::Trial;
///
/// let mut trial = Trial::<Watch>::new("{}")?;
/// assert_eq!(trial.assess(Millis(0)).verdict, Verdict::Unknown);
/// trial.observe(&Reading::number(0, Millis(500), 118.0));
/// assert_eq!(trial.assess(Millis(600)).verdict, Verdict::Busy);
/// assert_eq!(trial.assess(Millis(1_500)).verdict, Verdict::Idle);
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct Trial<D>(Screened<D>);

impl<D: Detector> Trial<D> {
    /// Makes the detector from its settings in JSON.
    ///
    /// # Errors
    /// When the settings are refused, by their type or by the detector.
    pub fn new(settings: &str) -> Result<Self, SettingsError> {
        Screened::new(settings).map(Trial)
    }

    /// Shows the detector a reading, unless the host would have kept it back.
    pub fn observe(&mut self, reading: &Reading) {
        self.0.observe(reading);
    }

    /// Asks the detector, at the time `now` or at its latest reading if that is later.
    pub fn assess(&mut self, now: Millis) -> Assessment {
        self.0.assess(now)
    }
}

/// What a detector said after a reading.
///
/// ```
/// use idlegate_detector::{Assessment, Millis, Verdict, testing::Step};
///
/// let step = Step { at: Millis(1_000), assessment: Assessment::busy("118 W") };
/// assert_eq!(step.assessment.verdict, Verdict::Busy);
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The time of the reading, and of the assessment.
    pub at: Millis,
    /// What it said.
    pub assessment: Assessment,
}

/// What a detector said over a whole recording: one step per reading.
///
/// ```
/// use idlegate_detector::{Assessment, Millis, Verdict};
/// use idlegate_detector::testing::{Period, Run, Step};
///
/// let step = |at, assessment| Step { at: Millis(at), assessment };
/// let run = Run {
///     steps: vec![
///         step(0, Assessment::unknown("no reading yet")),
///         step(1_000, Assessment::busy("118 W")),
///         step(2_000, Assessment::idle("12 W")),
///     ],
/// };
///
/// assert_eq!(run.verdicts(), [Verdict::Unknown, Verdict::Busy, Verdict::Idle]);
/// assert_eq!(run.busy_spans(), [Period { start: Millis(1_000), end: Millis(2_000) }]);
/// assert_eq!(run.held_spans(), [Period { start: Millis(0), end: Millis(2_000) }]);
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Run {
    /// The steps in the order of their times.
    pub steps: Vec<Step>,
}

/// A stretch of time, from its first instant until just before `end`.
///
/// ```
/// use idlegate_detector::{Millis, Span, testing::Period};
///
/// let period = Period { start: Millis(1_000), end: Millis(4_000) };
/// assert_eq!(period.length(), Span::from_secs(3));
/// assert!(period.contains(Millis(1_000)) && !period.contains(Millis(4_000)));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Period {
    /// The first instant.
    pub start: Millis,
    /// The first instant that no longer belongs to it.
    pub end: Millis,
}

impl Period {
    /// How long it lasts.
    pub fn length(self) -> Span {
        self.end.since(self.start)
    }

    /// Whether `at` is inside.
    pub fn contains(self, at: Millis) -> bool {
        self.start <= at && at < self.end
    }
}

/// Runs a detector over a recording: every reading is observed, and an assessment is made at its time. What it would say
/// in the guard, which also looks after silence, is [`run_guarded`](super::run_guarded).
///
/// # Errors
/// When the settings are refused, by their type or by the detector.
pub fn run<D: Detector>(settings: &str, recording: &Recording) -> Result<Run, SettingsError> {
    let mut trial = Trial::<D>::new(settings)?;
    let steps = recording.readings().iter().map(|reading| {
        trial.observe(reading);
        Step { at: reading.at, assessment: trial.assess(reading.at) }
    });
    Ok(Run { steps: steps.collect() })
}

impl Run {
    /// The verdict of every step.
    pub fn verdicts(&self) -> Vec<Verdict> {
        self.steps.iter().map(|step| step.assessment.verdict).collect()
    }

    /// The steps at which the verdict became another, the first of all included. Of several at one time the last counts.
    ///
    /// ```
    /// use idlegate_detector::{Assessment, Millis, testing::{Run, Step}};
    ///
    /// let step = |at, assessment| Step { at: Millis(at), assessment };
    /// let run = Run { steps: vec![step(0, Assessment::busy("90 W")), step(9, Assessment::busy("91 W"))] };
    /// assert_eq!(run.changes().len(), 1);
    /// ```
    pub fn changes(&self) -> Vec<&Step> {
        let mut changes: Vec<&Step> = Vec::new();
        let ends = self.steps.iter().skip(1).map(|step| Some(step.at)).chain([None]);
        for (step, _) in self.steps.iter().zip(ends).filter(|(step, next)| *next != Some(step.at)) {
            if changes.last().is_none_or(|last| last.assessment.verdict != step.assessment.verdict) {
                changes.push(step);
            }
        }
        changes
    }

    /// The last thing said at or before `at`.
    pub fn at(&self, at: Millis) -> Option<&Step> {
        self.steps[..self.steps.partition_point(|step| step.at <= at)].last()
    }

    /// The periods in which the verdict was busy.
    pub fn busy_spans(&self) -> Vec<Period> {
        self.spans(|verdict| verdict == Verdict::Busy)
    }

    /// The periods in which power was held: the verdict was busy or unknown.
    pub fn held_spans(&self) -> Vec<Period> {
        self.spans(|verdict| verdict != Verdict::Idle)
    }

    /// A verdict holds until the next step; the last step ends the recording.
    fn spans(&self, belongs: impl Fn(Verdict) -> bool) -> Vec<Period> {
        let mut spans: Vec<Period> = Vec::new();
        let mut open = None;
        for step in &self.steps {
            match (open, belongs(step.assessment.verdict)) {
                (None, true) => open = Some(step.at),
                (Some(start), false) => {
                    spans.push(Period { start, end: step.at });
                    open = None;
                }
                (None, false) | (Some(_), true) => {}
            }
        }
        if let (Some(start), Some(last)) = (open, self.steps.last()) {
            spans.push(Period { start, end: last.at });
        }
        spans
    }
}
