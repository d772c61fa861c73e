//! The detectors of the simulation: the real ones in their sandbox, or the same code run natively.

use std::collections::BTreeMap;

use idlegate::detectors::{self, Inline, Installation, Place};
use idlegate::engine::{Feed, Install};
use idlegate::event::{Assessed, Assessment, DetectorFault, Name, Value, Verdict};
use idlegate::service::Modules;
use idlegate::time::Span;
use idlegate_detector::testing::Trial;
use idlegate_detector::{Millis, Reading};
use power_threshold::PowerThreshold;

pub enum Detecting<'a> {
    Sandboxed { inline: Inline, modules: &'a Modules },
    Native(BTreeMap<Place, (u64, Trial<PowerThreshold>)>),
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

    /// Sets a detector to work, or says why it cannot.
    pub fn install(&mut self, install: Install) -> Result<(), String> {
        let place = Place { machine: install.machine, detector: install.detector };
        let settings = install.settings.to_string();
        match self {
            Detecting::Sandboxed { inline, modules } => {
                let module = modules.get(&install.module)?;
                let signals = install.signals.into_iter().flatten().collect();
                inline.install(place, install.generation, Installation { module, settings, signals });
            }
            Detecting::Native(seats) => {
                let trial = Trial::new(&settings).map_err(|error| format!("{error:?}"))?;
                seats.insert(place, (install.generation, trial));
            }
        }
        Ok(())
    }

    /// What it has seen goes with it.
    pub fn remove(&mut self, machine: Name, detector: usize) {
        let place = Place { machine, detector };
        match self {
            Detecting::Sandboxed { inline, .. } => inline.remove(&place),
            Detecting::Native(seats) => drop(seats.remove(&place)),
        }
    }

    pub fn feed(&mut self, feed: Feed) -> Option<Assessed> {
        let place = Place { machine: feed.machine, detector: feed.detector };
        match self {
            Detecting::Sandboxed { inline, .. } => inline.feed(detectors::Feed {
                place,
                generation: feed.generation,
                feed: feed.feed,
                readings: feed.readings,
                assess_at: feed.assess_at,
            }),
            Detecting::Native(seats) => {
                let (generation, trial) = seats.get_mut(&place)?;
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
                    machine: place.machine,
                    detector: place.detector,
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
