//! A detector at work for one machine: configured, fed with readings, asked for its assessment.

use std::fmt;
use std::sync::Arc;

use super::contract_v1::{assessment_out, reading_in, wire};
use super::fault::{Call, Fault};
use super::guest::{Guest, Share};
use super::limits::{READINGS_PER_CALL_MAX, REFUSAL_CHARS_MAX, SETTINGS_BYTES_MAX};
use super::module::Module;
use idlegate_guard::time::Moment;
use idlegate_plan::event::{Assessment, Name, Reading};
use idlegate_plan::text::tame;

/// A reading and the signal it belongs to, by the detector's own index.
pub type SignalReading = (u32, Reading);

/// Why a detector could not be set to work.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StartError {
    #[error("it refuses its settings: {0}")]
    Refused(String),
    #[error("its settings have {0} bytes; they may have {max}", max = SETTINGS_BYTES_MAX)]
    SettingsTooLong(usize),
    #[error("it declares {declared} signals, but {given} were connected")]
    Signals { declared: usize, given: usize },
    #[error(transparent)]
    Fault(#[from] Fault),
}

/// One detector for one machine, with a store of its own: whatever it does, it does only to itself.
pub struct Instance {
    guest: Guest,
    /// What each of its signals is called in evidence.
    signals: Arc<[Name]>,
    /// The latest time it was shown.
    latest: Moment,
    /// Kept between calls, so that showing readings allocates nothing.
    outgoing: Vec<wire::Reading>,
}

impl Instance {
    /// Starts a detector from nothing, for a look at it. `settings` is a JSON object; `signals` names each declared
    /// signal.
    pub fn new(module: &Module, settings: &str, signals: Arc<[Name]>) -> Result<Instance, StartError> {
        Instance::start(module, settings, signals, Share::Passing)
    }

    /// The same, to stay: its memory counts among that of all detectors.
    pub fn at_work(module: &Module, settings: &str, signals: Arc<[Name]>) -> Result<Instance, StartError> {
        Instance::start(module, settings, signals, module.share())
    }

    fn start(
        module: &Module,
        settings: &str,
        signals: Arc<[Name]>,
        share: Share,
    ) -> Result<Instance, StartError> {
        let declared = module.description().signals.len();
        if signals.len() != declared {
            return Err(StartError::Signals { declared, given: signals.len() });
        }
        if settings.len() > SETTINGS_BYTES_MAX {
            return Err(StartError::SettingsTooLong(settings.len()));
        }
        let mut guest = Guest::start(module.pre(), share)?;
        guest
            .call(Call::Configure, |guest, store| guest.call_configure(store, settings))?
            .map_err(|why| StartError::Refused(tame(&why, REFUSAL_CHARS_MAX)))?;
        Ok(Instance { guest, signals, latest: Moment(0), outgoing: Vec::new() })
    }

    /// Shows it readings, in the order in which they were taken.
    pub fn observe<'a>(
        &mut self,
        readings: impl IntoIterator<Item = &'a SignalReading>,
    ) -> Result<(), Fault> {
        let mut readings = readings.into_iter();
        loop {
            self.outgoing.clear();
            for (signal, reading) in readings.by_ref().take(READINGS_PER_CALL_MAX) {
                self.latest = self.latest.max(reading.at);
                self.outgoing.extend(reading_in(*signal, reading));
            }
            if self.outgoing.is_empty() {
                return Ok(());
            }
            let outgoing = &self.outgoing;
            self.guest.call(Call::Observe, |guest, store| guest.call_observe(store, outgoing))?;
        }
    }

    /// Asks for the assessment at `now`, or at the latest reading where that is later.
    pub fn assess(&mut self, now: Moment) -> Result<Assessment, Fault> {
        let now = now.max(self.latest);
        let answer = self.guest.call(Call::Assess, |guest, store| guest.call_assess(store, now.0))?;
        assessment_out(answer, &self.signals, now)
    }
}

impl fmt::Debug for Instance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Instance")
            .field("signals", &self.signals)
            .field("latest", &self.latest)
            .finish_non_exhaustive()
    }
}
