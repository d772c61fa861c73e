//! A detector under test as the guard runs it: asked between its readings too, and overruled when a signal falls silent.

use super::{Recording, Run, Step};
use crate::screen::Screened;
use crate::{Assessment, Detector, Millis, SettingsError, Span};

/// The host asks at least this often, since a verdict may change with time alone.
const LOOK_EVERY: Span = Span::from_secs(5);
/// And not more often than this, however soon the answer may change.
const LOOK_GAP_MIN: Span = Span::from_millis(100);

/// Runs a detector over a recording as the guard does, with `stale_after` as the rules give it for its signals (`30 s` where
/// they do not).
///
/// Between readings it is asked every five seconds, or as soon as it said that its answer may change. A needed signal
/// without a reading makes the answer unknown, whatever the detector says, and so does one that has been silent for `stale_after`.
///
/// ```
/// # use idlegate_detector::*;
/// # #[derive(serde::Deserialize, schemars::JsonSchema)] struct NoSettings {}
/// # struct Limit(f64);
/// # impl Detector for Limit {
/// #     type Settings = NoSettings;
/// #     const DESCRIPTION: Description = Description {
/// #         name: "limit", version: "1.0.0", purpose: "busy above 40 W", signals: &[Signal::number("power", "W", "")],
/// #     };
/// #     fn new(_: NoSettings) -> Result<Self, SettingsError> { Ok(Limit(0.0)) }
/// #     fn observe(&mut self, r: &Reading) { self.0 = r.as_number().unwrap_or(0.0); }
/// #     fn assess(&mut self, _: Millis) -> Assessment {
/// #         if self.0 > 40.0 { Assessment::busy("above") } else { Assessment::idle("below") }
/// #     }
/// # }
/// # fn main() -> Result<(), SettingsError> {
/// use idlegate_detector::testing::{Recording, run_guarded};
/// use idlegate_detector::{Millis, Span, Verdict};
///
/// // The meter is silent for a minute.
/// let recording = Recording::of_numbers([(0, 3.0), (10_000, 3.0), (70_000, 3.0)]);
/// let run = run_guarded::<Limit>("{}", &recording, Span::from_secs(30))?;
/// let changes: Vec<_> = run.changes().iter().map(|step| (step.at.0, step.assessment.verdict)).collect();
/// assert_eq!(changes, [(0, Verdict::Idle), (40_000, Verdict::Unknown), (70_000, Verdict::Idle)]);
/// assert_eq!(run.changes()[1].assessment.reason, "no reading of power for 30 s");
/// # Ok(())
/// # }
/// ```
///
/// # Errors
/// When the settings are refused, by their type or by the detector.
///
/// # Panics
/// When the detector does. In the guard it is said to have stopped, and the machine counts as busy.
pub fn run_guarded<D: Detector>(
    settings: &str,
    recording: &Recording,
    stale_after: Span,
) -> Result<Run, SettingsError> {
    let detector = Screened::<D>::new(settings)?;
    let Some(first) = recording.readings().first() else { return Ok(Run::default()) };
    let read_at = vec![None; D::DESCRIPTION.signals.len()];
    let said = Assessment::unknown("it has not been asked yet");
    let mut guarded =
        Guarded { detector, stale_after, read_at, next_look: first.at, said, steps: Vec::new() };
    for reading in recording.readings() {
        while let Some(due) = guarded.due().filter(|due| *due < reading.at) {
            guarded.pass_to(due);
        }
        guarded.detector.observe(reading);
        if let Some(read_at) = guarded.read_at.get_mut(reading.signal as usize) {
            *read_at = Some(reading.at);
        }
        guarded.ask(reading.at);
    }
    Ok(Run { steps: guarded.steps })
}

struct Guarded<D> {
    detector: Screened<D>,
    stale_after: Span,
    /// By signal.
    read_at: Vec<Option<Millis>>,
    next_look: Millis,
    said: Assessment,
    steps: Vec<Step>,
}

impl<D: Detector> Guarded<D> {
    /// When something may change without a reading.
    fn due(&self) -> Option<Millis> {
        let told = self.steps.last().map(|step| step.at);
        let stale = self.read_at.iter().flatten().map(|at| *at + self.stale_after);
        stale.filter(|at| told.is_none_or(|told| *at > told)).chain([self.next_look]).min()
    }

    fn pass_to(&mut self, now: Millis) {
        if self.next_look <= now { self.ask(now) } else { self.tell(now) }
    }

    fn ask(&mut self, now: Millis) {
        self.said = self.detector.assess(now);
        let soon = self.said.clears_in.map_or(LOOK_EVERY, |span| span.clamp(LOOK_GAP_MIN, LOOK_EVERY));
        self.next_look = now + soon;
        self.tell(now);
    }

    fn tell(&mut self, now: Millis) {
        let assessment = self.silence(now).unwrap_or_else(|| self.said.clone());
        self.steps.push(Step { at: now, assessment });
    }

    fn silence(&self, now: Millis) -> Option<Assessment> {
        let mut needed = D::DESCRIPTION.signals.iter().zip(&self.read_at).filter(|(signal, _)| signal.needed);
        needed.find_map(|(signal, read_at)| {
            let name = signal.name;
            let Some(read_at) = read_at else {
                return Some(Assessment::unknown(format!("no reading of {name} yet")));
            };
            let silent_for = now.since(*read_at);
            let silent = silent_for >= self.stale_after;
            silent.then(|| Assessment::unknown(format!("no reading of {name} for {silent_for}")))
        })
    }
}
