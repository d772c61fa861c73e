//! machine-status: the machine's own status word says whether it is busy, and a word on none of the lists is unknown.
//!
//! This file holds the rules; `words` holds the lists. README.md explains both to people.

#![forbid(unsafe_code)]

mod words;

use idlegate_detector::{
    Assessment, Description, Detector, Millis, Reading, SettingsError, Signal, Span, quantity,
};
use words::{Meaning, Words};

/// The settings of machine-status.
#[derive(Debug, Clone, serde::Deserialize, schemars::JsonSchema)]
pub struct Settings {
    /// The words for a machine at work. Upper and lower case and spaces around a word do not matter.
    #[serde(default)]
    busy: Vec<String>,
    /// The words for a machine at rest. At least one.
    idle: Vec<String>,
    /// The words for a paused job. They count as busy.
    #[serde(default)]
    paused: Vec<String>,
    /// Idle only after the status has been idle for this long.
    #[serde(default)]
    dwell: Span,
}

const STATUS: u32 = MachineStatus::DESCRIPTION.signal("status");
const PROGRESS: u32 = MachineStatus::DESCRIPTION.signal("progress");

/// The detector.
#[derive(Debug)]
pub struct MachineStatus {
    words: Words,
    dwell: Span,
    status: Option<Status>,
    progress: Option<Reading>,
}

#[derive(Debug)]
struct Status {
    reading: Reading,
    meaning: Meaning,
    /// When the first of an unbroken row of words with this meaning was read.
    since: Millis,
}

impl Detector for MachineStatus {
    type Settings = Settings;

    const DESCRIPTION: Description = Description {
        name: "machine-status",
        version: env!("CARGO_PKG_VERSION"),
        purpose: "busy while the machine's own status says so; a word on none of its lists is unknown",
        signals: &[
            Signal::text("status", "the machine's own status word"),
            Signal::number("progress", "%", "how far the job has got; busy above 0 and below 100").optional(),
        ],
    };

    fn new(settings: Settings) -> Result<Self, SettingsError> {
        let Settings { busy, idle, paused, dwell } = settings;
        let words = Words::new(&busy, &idle, &paused)?;
        Ok(MachineStatus { words, dwell, status: None, progress: None })
    }

    fn observe(&mut self, reading: &Reading) {
        match reading.signal {
            STATUS => self.observe_status(reading),
            PROGRESS if is_newer(reading, self.progress.as_ref()) => self.progress = Some(reading.clone()),
            _ => {}
        }
    }

    fn assess(&mut self, now: Millis) -> Assessment {
        let Some(status) = &self.status else { return Assessment::unknown("no status yet") };
        let word = words::shown(&status.reading);
        let assessment = match status.meaning {
            Meaning::Busy => Assessment::busy(format!("status {word}")),
            Meaning::Paused => Assessment::busy(format!("status {word}, a paused job counts as busy")),
            Meaning::Idle => return self.assess_idle(status, now),
            Meaning::Unlisted => Assessment::unknown(format!("status {word} is on none of the lists")),
        };
        assessment.because(&status.reading)
    }
}

impl MachineStatus {
    fn observe_status(&mut self, reading: &Reading) {
        if !is_newer(reading, self.status.as_ref().map(|status| &status.reading)) {
            return;
        }
        let meaning = reading.as_text().map_or(Meaning::Unlisted, |word| self.words.meaning(word));
        let since = match &self.status {
            Some(before) if before.meaning == meaning => before.since,
            Some(_) | None => reading.at,
        };
        self.status = Some(Status { reading: reading.clone(), meaning, since });
    }

    fn assess_idle(&self, status: &Status, now: Millis) -> Assessment {
        let word = words::shown(&status.reading);
        if let Some((progress, percent)) = self.unfinished() {
            let percent = quantity(percent, "%");
            return Assessment::busy(format!("status {word}, but the job is at {percent}"))
                .because(&status.reading)
                .because(progress);
        }
        let elapsed = now.since(status.since);
        let remaining = self.dwell.saturating_sub(elapsed);
        if remaining > Span::ZERO {
            let elapsed = elapsed.whole_secs();
            return Assessment::busy(format!("status {word} for {elapsed}, idle after {}", self.dwell))
                .because(&status.reading)
                .clears_in(remaining);
        }
        Assessment::idle(format!("status {word}")).because(&status.reading)
    }

    /// The progress, if it is that of a job that has begun and not ended.
    fn unfinished(&self) -> Option<(&Reading, f64)> {
        let progress = self.progress.as_ref()?;
        let percent = progress.as_number()?;
        // A value that is not a number does not show that the job has ended, so it holds power too.
        (percent.is_nan() || (percent > 0.0 && percent < 100.0)).then_some((progress, percent))
    }
}

/// A reading that was taken before the one already known says nothing new.
fn is_newer(reading: &Reading, known: Option<&Reading>) -> bool {
    known.is_none_or(|known| reading.at >= known.at)
}

idlegate_detector::register!(MachineStatus);

#[cfg(test)]
mod tests;
