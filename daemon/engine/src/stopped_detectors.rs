//! Detectors that stopped, as people hear of it: once when it begins, once more when it comes to worse, and when all is
//! well again.
//!
//! One that stumbles again and again is one incident, however often its instance is replaced meanwhile.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::core::Engine;
use super::detector::DetectorState;
use super::effect::{DetectorStopped, Effect, HowBad};
use super::machine::MachineState;
use super::subject::Subject;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_plan::event::{DetectorFault, Name};
use idlegate_plan::{DetectorIx, Role, indexed};

/// It has answered for so long without stopping. Longer than the host lets one wait that stopped, or each trial of it
/// would count.
const WELL_AFTER: Span = Span::secs(60);
/// One that stops every other minute is not read out every other minute.
const ALOUD_GAP: Span = Span::secs(600);
/// Health is one message, however many machines there are.
const SHOWN_MAX: usize = 20;

/// Of one machine.
#[derive(Debug, Default)]
pub(super) struct StoppedDetectors {
    open: BTreeMap<DetectorIx, Open>,
    aloud_at: Option<Moment>,
}

#[derive(Debug)]
struct Open {
    detector: Name,
    how_bad: HowBad,
    /// Since when it may have been well.
    well_since: Moment,
}

/// Why one gives no answer now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoppedDetector {
    pub machine: Name,
    pub detector: Name,
    pub why: String,
}

/// What is new.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum News {
    Begun { aloud: bool },
    Over,
}

impl StoppedDetectors {
    pub(super) fn is_open(&self) -> bool {
        !self.open.is_empty()
    }

    pub(super) fn is_out(&self, place: DetectorIx) -> bool {
        self.open.contains_key(&place)
    }

    pub(super) fn worst(&self) -> Option<HowBad> {
        self.open.values().map(|open| open.how_bad).max()
    }

    fn stopped(&mut self, now: Moment, place: DetectorIx, detector: &Name, how_bad: HowBad) -> Option<News> {
        let known = self.open.get_mut(&place);
        if let Some(open) = known {
            open.well_since = now;
            if how_bad <= open.how_bad {
                return None;
            }
            open.how_bad = how_bad;
            self.aloud_at = Some(now);
            return Some(News::Begun { aloud: true });
        }
        let open = Open { detector: detector.clone(), how_bad, well_since: now };
        self.open.insert(place, open);
        let aloud = self.aloud_at.is_none_or(|at| now.since(at) >= ALOUD_GAP);
        if aloud {
            self.aloud_at = Some(now);
        }
        Some(News::Begun { aloud })
    }

    fn answered(&mut self, now: Moment, place: DetectorIx) -> Option<News> {
        let well = self.open.get(&place).is_some_and(|open| now.since(open.well_since) >= WELL_AFTER);
        well.then(|| self.open.remove(&place)).flatten().map(|_| News::Over)
    }

    /// Another file or other settings: its first answer shows that it is mended.
    pub(super) fn begins_anew(&mut self, place: DetectorIx) {
        if let Some(open) = self.open.get_mut(&place) {
            open.well_since = Moment(0);
            open.how_bad = HowBad::Stopped;
        }
    }
}

impl Engine {
    /// Why detectors give no answer now, by machine and detector; no more than anybody reads.
    pub fn stopped_detectors(&self) -> Vec<StoppedDetector> {
        let faults = self.machines.iter().flat_map(|machine| {
            let pairs = machine.rules().detectors.iter().zip(machine.detectors.iter());
            pairs.filter_map(|(uses, state)| {
                let why = why(state.fault()?).to_owned();
                let machine = machine.rules().name.clone();
                Some(StoppedDetector { machine, detector: uses.name.clone(), why })
            })
        });
        faults.take(SHOWN_MAX).collect()
    }
}

impl MachineState {
    /// A detector has just answered, or failed to.
    pub(super) fn tell_stopped_detector(&mut self, now: Now, place: DetectorIx, out: &mut Vec<Effect>) {
        let (Some(uses), Some(state)) = (self.rules().detectors.get(place.0), self.detectors.get(place))
        else {
            return;
        };
        let (detector, role) = (uses.name.clone(), uses.role);
        let (news, why) = match state.fault().map(|fault| (how_bad(fault), Arc::from(why(fault)))) {
            Some((how_bad, why)) => {
                (self.stopped_detectors.stopped(now.moment, place, &detector, how_bad), Some(why))
            }
            None if state.has_answered() => (self.stopped_detectors.answered(now.moment, place), None),
            None => return,
        };
        let Some(news) = news else { return };
        let (over, aloud) = match news {
            News::Begun { aloud } => (false, aloud),
            News::Over => (true, false),
        };
        let how_bad = state_of(&self.stopped_detectors, place);
        let (machine, title) = (self.rules().name.clone(), self.title.clone());
        let why = why.unwrap_or_else(|| "".into());
        let quiet = self.keeps_quiet(Subject::DetectorStopped.word(), false, over);
        out.push(Effect::DetectorStopped(DetectorStopped {
            at: now,
            machine,
            title,
            detector,
            role,
            how_bad,
            why,
            over,
            aloud: aloud && !quiet,
            quiet,
            urgent: !over && role == Role::Hold && self.eyes.worked,
        }));
    }

    /// A former run has told that this one is out: that is no news, and its end is.
    pub(super) fn recall_stopped_detector(&mut self, now: Moment, detector: &Name) {
        let found =
            indexed(&self.plan.machines[self.index].detectors).find(|(_, uses)| uses.name == *detector);
        let Some((place, _)) = found else { return };
        let well_since =
            if self.detectors.get(place).is_some_and(DetectorState::has_answered) { Moment(0) } else { now };
        let known = Open { detector: detector.clone(), how_bad: HowBad::Stopped, well_since };
        self.stopped_detectors.open.entry(place).or_insert(known);
    }

    /// The rules no longer have detectors from this place on.
    pub(super) fn forget_stopped_detectors(&mut self, now: Now, from: DetectorIx, out: &mut Vec<Effect>) {
        for (_, gone) in self.stopped_detectors.open.split_off(&from) {
            out.push(Effect::DetectorStopped(DetectorStopped {
                at: now,
                machine: self.rules().name.clone(),
                title: self.title.clone(),
                detector: gone.detector,
                role: Role::Advise,
                how_bad: gone.how_bad,
                why: "".into(),
                over: true,
                aloud: false,
                quiet: false,
                urgent: false,
            }));
        }
    }
}

fn state_of(stopped: &StoppedDetectors, place: DetectorIx) -> HowBad {
    stopped.open.get(&place).map_or(HowBad::Stopped, |open| open.how_bad)
}

fn how_bad(fault: &DetectorFault) -> HowBad {
    match fault {
        DetectorFault::Stopped(_) | DetectorFault::FellBehind(_) => HowBad::Stopped,
        DetectorFault::NotLoaded(_) => HowBad::NotLoaded,
        DetectorFault::Quarantined(_) => HowBad::TakenOut,
    }
}

pub(super) fn why(fault: &DetectorFault) -> &str {
    match fault {
        DetectorFault::NotLoaded(why)
        | DetectorFault::Stopped(why)
        | DetectorFault::FellBehind(why)
        | DetectorFault::Quarantined(why) => why,
    }
}
