//! What is heard of one signal, and what is found of it.

use super::finding::Finding;
use super::silence::Rhythm;
use super::watch::SHOWN_CHARS;
use idlegate_engine::signals::{self, Sign, SignalState};
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Message;
use idlegate_plan::text::{counted, tame};
use idlegate_plan::{Machine, Signal, topic};

#[derive(Clone, Debug, Default)]
pub(super) struct Track {
    pub(super) pace: Rhythm,
    retained: usize,
    /// Signs of life of its meter, and those that count as stored only for their flag.
    signs: Rhythm,
    signs_flagged: usize,
    fault: Option<String>,
    /// Live messages that each put the machine in doubt, and what the last of them was.
    pub(super) doubtful: usize,
    doubt: Option<String>,
}

impl Track {
    /// What a message says of whether the meter is there.
    pub(super) fn take_sign(&mut self, now: Moment, machine: &Machine, signal: &Signal, message: &Message) {
        let outlet = &machine.outlet;
        let is_it = |filter: &str| topic::matches(filter, &message.topic);
        if !signals::sign_filter(signal, outlet).is_some_and(is_it) {
            return;
        }
        match signals::sign(signal, outlet, message) {
            Some(Sign::Alive) => self.signs.take(now, None),
            Some(Sign::Flagged) => self.signs_flagged += 1,
            Some(Sign::Gone) | None => {}
        }
    }

    pub(super) fn take(&mut self, now: Moment, signal: &Signal, message: &Message) {
        let stored = message.stored(signal.sender_stores);
        let read = signals::read(signal, &message.payload);
        let newest = read.as_ref().ok().and_then(|read| read.last()).map(|read| read.value.clone());
        if let Err(fault) = read {
            self.fault = Some(fault.to_string());
            // As the guard would judge it by itself, whatever came before.
            let mut state = SignalState::new(signal);
            if !stored && state.doubt_message(now, signal, &fault) {
                self.doubtful += 1;
                self.doubt = state.doubt().map(ToString::to_string);
            }
            return;
        }
        if stored {
            self.retained += 1;
            return;
        }
        self.pace.take(now, newest);
    }

    /// Of a meter that speaks only when its value changes.
    pub(super) fn of_on_change(&self, listened: Span, machine: &Machine, signal: &Signal) -> Finding {
        let about = format!("{}/{}", machine.name, signal.name);
        let alive = signal.alive();
        let silent_max = signal.silent_max();
        match self {
            Track { signs_flagged: 1.., signs: Rhythm { live: 0, .. }, .. } => Finding::fault(
                about,
                "the signs of life of its meter come marked as stored, and may be old ones, so they never count",
                "Have them sent without retain, or set sender_stores = true under alive.",
            ),
            Track { signs: Rhythm { live: 0, .. }, .. } if alive.is_some() && listened >= silent_max => {
                Finding::fault(
                    about,
                    format!("its meter gave no sign of life in {listened}"),
                    "Check the topic under alive. Without a sign of life, the machine counts as busy.",
                )
            }
            Track { signs, .. } if signs.pause() > silent_max => Finding::fault(
                about,
                format!(
                    "{} passed between two signs of life of its meter, but it is in doubt after {silent_max}",
                    signs.pause()
                ),
                format!("Under alive, set silent_max to \"{}\" or more.", signs.silent_max()),
            ),
            Track { pace: Rhythm { live: 0, .. }, fault: None, retained: 0, .. } if alive.is_some() => {
                Finding::note(
                    about,
                    format!("no reading came in {listened}; its meter speaks only when its value changes"),
                    "The guard knows nothing of it until it does, after each start and each lost connection. If the meter can \
                 be asked, add refresh.",
                )
            }
            _ if alive.is_some() && self.doubtful == 0 && self.pace.live > 0 => {
                let (readings, signs) =
                    (counted(self.pace.live, "reading"), counted(self.signs.live, "sign"));
                Finding::good(about, format!("{readings} and {signs} of life in {listened}"))
            }
            _ => self.finding(listened, machine, signal),
        }
    }

    pub(super) fn finding(&self, listened: Span, machine: &Machine, signal: &Signal) -> Finding {
        let about = format!("{}/{}", machine.name, signal.name);
        let topic = tame(&signal.source.filter, SHOWN_CHARS);
        match self {
            Track { pace: Rhythm { live: 0, .. }, fault: Some(fault), .. } => Finding::fault(
                about,
                format!("what comes on {topic} is not a reading: {fault}"),
                "Set pointer or senml to where the value is; `idlegate listen` shows it.",
            ),
            Track { pace: Rhythm { live: 0, .. }, retained: 1.., .. } => Finding::fault(
                about,
                "only stored readings came; nobody knows how old they are, so they never count",
                "Have the meter send its readings without retain, or set sender_stores = true for the signal.",
            ),
            Track { pace: Rhythm { live: 0, .. }, .. } if listened < signal.stale_after => Finding::note(
                about,
                format!("nothing came in {listened}, but it may be silent for up to {}", signal.stale_after),
                "Listen for longer: --for TIME",
            ),
            Track { pace: Rhythm { live: 0, .. }, .. } => Finding::fault(
                about,
                format!("silent: nothing came on {topic} in {listened}"),
                "Check the meter and the topic. While the signal is silent, the machine counts as busy.",
            ),
            Track { doubtful: 1.., doubt: Some(doubt), .. } => Finding::fault(
                about,
                format!(
                    "{} of {} messages could not be read: {doubt}",
                    self.doubtful,
                    self.pace.live + self.doubtful
                ),
                "After each of them the machine counts as busy until its detectors have seen enough again. Have the meter send \
                 plain values, or set pointer, unit, scale and plausible to what it sends.",
            ),
            Track { pace, .. } if pace.pause() > signal.stale_after => Finding::fault(
                about,
                format!(
                    "{} passed between two readings, but it counts as missing after {}",
                    pace.pause(),
                    signal.stale_after
                ),
                "Make stale_after three times the usual time between readings, or have the meter report more often. If it speaks \
                 only when its value changes, set reports = \"on-change\".",
            ),
            Track { pace: Rhythm { live, .. }, .. } => {
                Finding::good(about, format!("{} in {listened}", counted(*live, "reading")))
            }
        }
    }
}
