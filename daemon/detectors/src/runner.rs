//! Runs one detector for one machine: its instance, its history and its strikes.
//!
//! No threads and no clocks: the same work gives the same answers, whoever drives it.

use std::fmt;
use std::sync::Arc;

use super::fault::{Fault, FaultCause};
use super::history::History;
use super::instance::{Instance, SignalReading, StartError};
use super::module::Module;
use super::strikes::{Consequence, Permission, Strikes};
use idlegate_guard::time::Moment;
use idlegate_plan::event::{Assessment, DetectorFault, Name};

/// A detector to be set to work for one machine.
#[derive(Clone, Debug)]
pub struct Installation {
    pub module: Arc<Module>,
    /// A JSON object.
    pub settings: String,
    /// What each signal that the detector declares is called in evidence, in its order.
    pub signals: Arc<[Name]>,
}

/// Readings to show, and the time to ask about.
#[derive(Clone, Debug)]
pub(super) struct Work {
    pub(super) readings: Vec<SignalReading>,
    pub(super) assess_at: Moment,
    /// Readings that had to be thrown away before these.
    pub(super) lost: usize,
}

#[derive(Debug)]
pub(super) struct Runner {
    installation: Installation,
    instance: Option<Instance>,
    history: History,
    strikes: Strikes,
    /// The last fault, in words.
    fault: String,
    /// Wrong settings stay wrong.
    refused: Option<String>,
}

impl Runner {
    pub(super) fn new(installation: Installation) -> Runner {
        Runner {
            installation,
            instance: None,
            history: History::default(),
            strikes: Strikes::default(),
            fault: String::new(),
            refused: None,
        }
    }

    /// A new detector for the same machine: it starts with a clean record, and with the history if it reads the
    /// same signals.
    pub(super) fn succeeded_by(self, installation: Installation) -> Runner {
        let same_signals = self.installation.signals == installation.signals;
        let history = if same_signals { self.history } else { History::default() };
        Runner { history, ..Runner::new(installation) }
    }

    /// Whether it may share a thread with others.
    pub(super) fn is_proven(&self) -> bool {
        self.strikes.is_proven()
    }

    pub(super) fn run(&mut self, work: &Work) -> Result<Assessment, DetectorFault> {
        let now = work.assess_at;
        if work.lost > 0 {
            self.start_over();
        }
        self.history.add(&work.readings, now);
        if let Some(why) = &self.refused {
            return Err(DetectorFault::NotLoaded(why.clone()));
        }
        match self.strikes.permission(now) {
            Permission::Run => {}
            Permission::Wait(wait) => {
                return Err(DetectorFault::Stopped(format!("{}; tried again in {wait}", self.fault)));
            }
            Permission::Quarantined => return Err(DetectorFault::Quarantined(self.fault.clone())),
        }
        if work.lost > 0 {
            let lost = work.lost;
            return Err(DetectorFault::FellBehind(format!("{lost} readings were lost; it starts over")));
        }
        match self.ask(work) {
            Ok(assessment) => {
                self.strikes.good_answer(now);
                Ok(assessment)
            }
            Err(StartError::Fault(fault)) => Err(self.strike(&fault, now)),
            Err(
                why @ (StartError::Refused(_) | StartError::SettingsTooLong(_) | StartError::Signals { .. }),
            ) => {
                let why = why.to_string();
                self.refused = Some(why.clone());
                Err(DetectorFault::NotLoaded(why))
            }
        }
    }

    fn ask(&mut self, work: &Work) -> Result<Assessment, StartError> {
        let instance = match &mut self.instance {
            Some(instance) => {
                instance.observe(&work.readings)?;
                instance
            }
            empty => {
                let Installation { module, settings, signals } = &self.installation;
                let instance = empty.insert(Instance::at_work(module, settings, signals.clone())?);
                // The history has the new readings at its end.
                instance.observe(self.history.iter())?;
                instance
            }
        };
        Ok(instance.assess(work.assess_at)?)
    }

    fn strike(&mut self, fault: &Fault, now: Moment) -> DetectorFault {
        self.instance = None;
        self.fault = fault.to_string();
        if let FaultCause::MemoryTogether { .. } = fault.cause {
            let after = self.strikes.wait_for_memory(now);
            return DetectorFault::Stopped(format!("{fault}; tried again in {after}"));
        }
        match self.strikes.strike(now) {
            Consequence::RebuildFromHistory { after } => {
                DetectorFault::Stopped(format!("{fault}; tried again in {after}"))
            }
            Consequence::RebuildFromNothing { after } => {
                self.history.forget();
                DetectorFault::Stopped(format!("{fault}; tried again in {after}"))
            }
            Consequence::Quarantine => {
                self.history.forget();
                DetectorFault::Quarantined(self.fault.clone())
            }
        }
    }

    /// The host itself failed on it: a fault of ours, and no reason to try it again.
    pub(super) fn give_up(&mut self) -> DetectorFault {
        self.start_over();
        let why = "the host failed while running it; please report this".to_owned();
        self.refused = Some(why.clone());
        DetectorFault::NotLoaded(why)
    }

    /// A gap in what it was shown is worse than nothing: a job may have begun in it. A detector that starts from
    /// nothing knows that it knows nothing.
    fn start_over(&mut self) {
        self.instance = None;
        self.history.forget();
    }
}

impl fmt::Display for Installation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let description = self.module.description();
        write!(f, "{} {}", description.name, description.version)
    }
}
