//! Messages as readings, by the rules: the very decoding the guard does, under the names that replay knows.

use std::sync::Arc;

use crate::event::{Message, Value};
use crate::plan::Plan;
use crate::signals::{Arrived, SignalState};
use crate::time::{Now, WallTime};
use crate::topic;

/// One line of the recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// `MACHINE/SIGNAL`, or `MACHINE/outlet`.
    pub name: String,
    pub unit: Option<String>,
    pub at: WallTime,
    pub value: Value,
}

#[derive(Debug)]
pub struct Recorder {
    tracks: Vec<Track>,
    rejected: u64,
}

#[derive(Debug)]
struct Track {
    name: String,
    filter: String,
    what: What,
}

#[derive(Debug)]
enum What {
    Signal(Box<(crate::plan::Signal, SignalState)>),
    /// As the outlet says it.
    Outlet,
}

impl Recorder {
    /// For these machines, by index; for all if there are none.
    pub fn new(plan: &Plan, machines: &[usize]) -> Recorder {
        let mut tracks = Vec::new();
        let wanted = |index: &usize| machines.is_empty() || machines.contains(index);
        for (_, machine) in plan.machines.iter().enumerate().filter(|(index, _)| wanted(index)) {
            for signal in &machine.signals {
                tracks.push(Track {
                    name: format!("{}/{}", machine.name, signal.name),
                    filter: signal.source.filter.clone(),
                    what: What::Signal(Box::new((signal.clone(), SignalState::new(signal)))),
                });
            }
            let (name, filter) =
                (format!("{}/outlet", machine.name), machine.outlet.state.source.filter.clone());
            tracks.push(Track { name, filter, what: What::Outlet });
        }
        Recorder { tracks, rejected: 0 }
    }

    /// What has to be subscribed.
    pub fn filters(&self) -> Vec<String> {
        let mut filters: Vec<String> = self.tracks.iter().map(|track| track.filter.clone()).collect();
        filters.sort();
        filters.dedup();
        filters
    }

    /// What of a message goes on record. A reading that the guard would not take is counted, and left out.
    pub fn take(&mut self, now: Now, message: &Message) -> Vec<Taken> {
        let mut taken = Vec::new();
        let (rejected, tracks) = (&mut self.rejected, &mut self.tracks);
        for track in tracks.iter_mut().filter(|track| topic::matches(&track.filter, &message.topic)) {
            match &mut track.what {
                What::Signal(signal) => {
                    let (rules, state) = &mut **signal;
                    let arrived = Arrived::of(message, rules, now.moment, now);
                    match state.take(rules, &message.payload, arrived) {
                        // None of them: from the broker's store, of unknown age; or older than one on record.
                        Ok(readings) => taken.extend(readings.into_iter().map(|reading| {
                            let ago = i64::try_from(now.moment.since(reading.at).0).unwrap_or(0);
                            let unit = Some(rules.unit().to_owned()).filter(|unit| !unit.is_empty());
                            let at = WallTime(now.wall.0.saturating_sub(ago));
                            Taken { name: track.name.clone(), unit, at, value: reading.value }
                        })),
                        Err(_) => *rejected += 1,
                    }
                }
                What::Outlet => match std::str::from_utf8(&message.payload) {
                    Ok(text) => {
                        let value = Value::Text(Arc::from(text.chars().take(256).collect::<String>()));
                        taken.push(Taken { name: track.name.clone(), unit: None, at: now.wall, value });
                    }
                    Err(_) => *rejected += 1,
                },
            }
        }
        taken
    }

    pub fn rejected(&self) -> u64 {
        self.rejected
    }
}
