//! Messages as readings, by the rules: the very decoding the guard does, under the names that replay knows.

use std::collections::HashMap;
use std::sync::Arc;

use crate::recording::{SIGN_ALIVE, SIGN_GONE, sign_name};
use idlegate_engine::signals::{self, Arrived, Sign, SignalState, sign_filter};
use idlegate_guard::time::{Now, Span, WallTime};
use idlegate_plan::event::{Message, Value};
use idlegate_plan::{MachineIx, Outlet, Plan, Signal, indexed, topic};

/// One line of the recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// `MACHINE/SIGNAL`, `MACHINE/SIGNAL/alive` for a sign of life of its meter, or `MACHINE/outlet`.
    pub name: String,
    pub unit: Option<String>,
    pub at: WallTime,
    pub value: Value,
}

#[derive(Debug)]
pub struct Recorder {
    tracks: Vec<Track>,
    /// Which tracks each topic feeds, so that a hall of machines costs a message no more than one does.
    by_topic: HashMap<String, Vec<usize>>,
    /// Those whose filters have wildcards.
    by_wildcard: Vec<usize>,
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
    Signal(Box<(Signal, SignalState)>),
    /// Signs of life of a meter that speaks only when its value changes: without them a replay could not tell its
    /// silence from one that is doubt.
    Sign(Box<(Signal, Outlet)>),
    /// As the outlet says it.
    Outlet,
}

impl Recorder {
    /// For these machines; for all if there are none.
    pub fn new(plan: &Plan, machines: &[MachineIx]) -> Recorder {
        let mut tracks = Vec::new();
        let wanted = |index: &MachineIx| machines.is_empty() || machines.contains(index);
        for (_, machine) in indexed(&plan.machines).filter(|(index, _)| wanted(index)) {
            for signal in &machine.signals {
                // The state of a machine follows from what is on record.
                let Some(filter) = signal.filter() else { continue };
                tracks.push(Track {
                    name: format!("{}/{}", machine.name, signal.name),
                    filter: filter.to_owned(),
                    what: What::Signal(Box::new((signal.clone(), SignalState::new(signal)))),
                });
                if let Some(filter) = sign_filter(signal, &machine.outlet) {
                    tracks.push(Track {
                        name: sign_name(&format!("{}/{}", machine.name, signal.name)),
                        filter: filter.to_owned(),
                        what: What::Sign(Box::new((signal.clone(), machine.outlet.clone()))),
                    });
                }
            }
            if let Some(state) = &machine.outlet.state {
                let (name, filter) = (format!("{}/outlet", machine.name), state.source.filter.clone());
                tracks.push(Track { name, filter, what: What::Outlet });
            }
        }
        let (mut by_topic, mut by_wildcard) = (HashMap::<String, Vec<usize>>::new(), Vec::new());
        for (index, track) in tracks.iter().enumerate() {
            if track.filter.contains(['+', '#']) {
                by_wildcard.push(index);
            } else {
                by_topic.entry(track.filter.clone()).or_default().push(index);
            }
        }
        Recorder { tracks, by_topic, by_wildcard, rejected: 0 }
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
        let waited = message.waited();
        let came_at = wall_before(now, waited);
        let fed = self.fed(&message.topic);
        let (rejected, tracks) = (&mut self.rejected, &mut self.tracks);
        for index in fed {
            let track = &mut tracks[index];
            match &mut track.what {
                What::Signal(signal) => {
                    let (rules, state) = &mut **signal;
                    let arrived = Arrived::of(message, rules, now.moment - waited, now);
                    match state.take(rules, &message.payload, arrived) {
                        // None of them: from the broker's store, of unknown age; or older than one on record.
                        Ok(readings) => taken.extend(readings.into_iter().map(|reading| {
                            let unit = Some(rules.unit().to_owned()).filter(|unit| !unit.is_empty());
                            let at = wall_before(now, now.moment.since(reading.at));
                            Taken { name: track.name.clone(), unit, at, value: reading.value }
                        })),
                        Err(_) => *rejected += 1,
                    }
                }
                What::Sign(of) => {
                    let (rules, outlet) = &**of;
                    let word = match signals::sign(rules, outlet, message) {
                        Some(Sign::Alive) => SIGN_ALIVE,
                        Some(Sign::Gone) => SIGN_GONE,
                        Some(Sign::Flagged) | None => continue,
                    };
                    let value = Value::Text(word.into());
                    taken.push(Taken { name: track.name.clone(), unit: None, at: came_at, value });
                }
                What::Outlet => match std::str::from_utf8(&message.payload) {
                    Ok(text) => {
                        let value = Value::Text(Arc::from(text.chars().take(256).collect::<String>()));
                        taken.push(Taken { name: track.name.clone(), unit: None, at: came_at, value });
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

    /// In the order of the rules.
    fn fed(&self, topic: &str) -> Vec<usize> {
        let wild =
            self.by_wildcard.iter().filter(|index| topic::matches(&self.tracks[**index].filter, topic));
        let mut fed: Vec<usize> =
            self.by_topic.get(topic).into_iter().flatten().chain(wild).copied().collect();
        fed.sort_unstable();
        fed
    }
}

fn wall_before(now: Now, ago: Span) -> WallTime {
    WallTime(now.wall.0.saturating_sub(i64::try_from(ago.0).unwrap_or(0)))
}
