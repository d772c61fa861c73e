//! Keeps back whatever a detector's description did not ask for, in the sandbox and in the test kit alike.

use std::fmt;

use crate::{Assessment, Detector, Millis, Reading, SettingsError, Value, ValueKind, settings};

/// A detector behind the promises that [`Detector::observe`] and [`Detector::assess`] make.
pub(crate) struct Screened<D> {
    detector: D,
    latest: Millis,
}

impl<D: Detector> Screened<D> {
    pub(crate) fn new(settings: &str) -> Result<Self, SettingsError> {
        let detector = D::new(settings::parse(settings)?)?;
        Ok(Screened { detector, latest: Millis(0) })
    }

    pub(crate) fn observe(&mut self, reading: &Reading) {
        if wanted::<D>(reading) {
            self.latest = self.latest.max(reading.at);
            self.detector.observe(reading);
        }
    }

    pub(crate) fn assess(&mut self, now: Millis) -> Assessment {
        self.detector.assess(now.max(self.latest))
    }
}

/// The detector never sees a reading dropped here, and a missing reading never makes a machine idle.
fn wanted<D: Detector>(reading: &Reading) -> bool {
    let Some(signal) = D::DESCRIPTION.signals.get(reading.signal as usize) else { return false };
    match (&reading.value, signal.kind) {
        (Value::Number(number), ValueKind::Number) => number.is_finite(),
        (Value::Text(_), ValueKind::Text) => true,
        (Value::Number(_), ValueKind::Text) | (Value::Text(_), ValueKind::Number) => false,
    }
}

impl<D> fmt::Debug for Screened<D> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Screened").field("latest", &self.latest).finish_non_exhaustive()
    }
}
