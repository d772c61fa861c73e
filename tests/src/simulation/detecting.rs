//! The detectors of the simulation: the real ones in their sandbox, or the same code run natively.

use std::collections::BTreeMap;

use idlegate_detector::testing::Trial;
use idlegate_detector::{Millis, Reading};
use idlegate_detectors::{Inline, Modules};
use idlegate_guard::time::Span;
use idlegate_plan::event::{Assessed, Assessment, DetectorFault, DetectorId, Feed, Install, Value, Verdict};
use power_threshold::PowerThreshold;

pub enum Detecting<'a> {
    Sandboxed { inline: Inline, modules: &'a Modules },
    Native(BTreeMap<DetectorId, (u64, Trial<PowerThreshold>)>),
}

impl std::fmt::Debug for Detecting<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Detecting::Sandboxed { .. } => "Sandboxed",
            Detecting::Native(_) => "Native",
        })
    }
}

impl<'a> Detecting<'a> {
    pub fn new(native: bool, modules: &'a Modules) -> Detecting<'a> {
        if native {
            Detecting::Native(BTreeMap::new())
        } else {
            Detecting::Sandboxed { inline: Inline::new(), modules }
        }
    }

    /// Sets a detector to work, or says why it cannot. With `kept` it takes over what the one before knows: a mistake.
    pub fn install(&mut self, install: Install, kept: bool) -> Result<(), String> {
        let Install { id, generation: number, .. } = install.clone();
        match self {
            Detecting::Sandboxed { inline, modules } => {
                inline.install(id, number, modules.installation(&install)?);
            }
            Detecting::Native(trials) => {
                if let Some((generation, _)) = trials.get_mut(&id).filter(|_| kept) {
                    *generation = number;
                    return Ok(());
                }
                let trial =
                    Trial::new(&install.settings.to_string()).map_err(|error| format!("{error:?}"))?;
                trials.insert(id, (number, trial));
            }
        }
        Ok(())
    }

    /// What it has seen goes with it.
    pub fn remove(&mut self, id: &DetectorId) {
        match self {
            Detecting::Sandboxed { inline, .. } => inline.remove(id),
            Detecting::Native(trials) => drop(trials.remove(id)),
        }
    }

    pub fn feed(&mut self, feed: Feed) -> Option<Assessed> {
        match self {
            Detecting::Sandboxed { inline, .. } => inline.feed(feed),
            Detecting::Native(trials) => {
                let (generation, trial) = trials.get_mut(&feed.id)?;
                if *generation != feed.generation {
                    return None;
                }
                for (signal, reading) in &feed.readings {
                    if let Value::Number(watts) = reading.value {
                        trial.observe(&Reading::number(*signal, Millis(reading.at.0), watts));
                    }
                }
                let said = trial.assess(Millis(feed.assess_at.0));
                Some(Assessed {
                    machine: feed.id.machine,
                    detector: feed.id.detector,
                    generation: feed.generation,
                    feed: feed.feed,
                    at: feed.assess_at,
                    outcome: Ok(in_our_words(said)),
                })
            }
        }
    }
}

fn in_our_words(said: idlegate_detector::Assessment) -> Assessment {
    let verdict = match said.verdict {
        idlegate_detector::Verdict::Busy => Verdict::Busy,
        idlegate_detector::Verdict::Idle => Verdict::Idle,
        idlegate_detector::Verdict::Unknown => Verdict::Unknown,
    };
    let clears_in = said.clears_in.map(|span| Span(span.as_millis()));
    // Evidence is for people; nothing here reads it.
    Assessment { verdict, reason: said.reason.into(), evidence: Vec::new(), clears_in }
}

/// A detector that stopped in the middle of a call.
pub fn stopped() -> Result<Assessment, DetectorFault> {
    Err(DetectorFault::Stopped("it trapped; tried again in 2 s".to_owned()))
}
