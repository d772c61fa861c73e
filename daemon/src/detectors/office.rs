//! Who is run next: the desks of all installed detectors, their mail and their answers. No threads in here.
//!
//! A desk that has mail and no answer lying on it is queued in a lane. Taken from there, a detector gets all its
//! mail at once; its answer lies on the desk until it is collected. So nothing can grow without bound: there is
//! at most one answer per desk, and an owner who is slow to collect only finds more mail answered by the next.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use super::feed::{Feed, NotInstalled, Place};
use super::instance::SignalReading;
use super::limits::{INSTALLED_MAX, MAILBOX_READINGS_MAX, READINGS_PER_CALL_MAX};
use super::seat::{Installation, Seat, Work};
use crate::event::{Assessed, Assessment, DetectorFault, Name};
use crate::time::Moment;

/// There is no room for another detector.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{max} detectors are installed already", max = INSTALLED_MAX)]
pub struct TooManyInstalled;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lane {
    Fast,
    Slow,
}

#[derive(Default)]
pub(super) struct Office {
    desks: BTreeMap<Place, Desk>,
    fast: VecDeque<Place>,
    slow: VecDeque<Place>,
    /// Places whose desk has, or had, an answer lying on it.
    answered: BTreeSet<Place>,
    /// Desks that came into a lane since somebody asked.
    new: NewWork,
    closing: bool,
}

/// How many desks have come into each lane.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct NewWork {
    pub(super) fast: usize,
    pub(super) slow: usize,
}

struct Desk {
    generation: u64,
    signals: Arc<[Name]>,
    /// Away while a worker runs it.
    seat: Option<Box<Seat>>,
    /// Takes the seat when it comes back.
    successor: Option<Installation>,
    mail: Mail,
    answer: Option<Assessed>,
    queued: bool,
    lane: Lane,
}

/// Everything that came for one detector since it was last run: one run answers all of it.
#[derive(Default)]
struct Mail {
    readings: VecDeque<SignalReading>,
    lost: usize,
    /// The newest feed and its time; none, and nobody waits for an answer.
    question: Option<(u64, Moment)>,
}

/// A detector taken away from its desk to be run.
pub(super) struct Errand {
    place: Place,
    generation: u64,
    pub(super) seat: Box<Seat>,
    feed: u64,
    pub(super) work: Work,
}

impl Office {
    pub(super) fn install(
        &mut self,
        place: Place,
        generation: u64,
        installation: Installation,
    ) -> Result<(), TooManyInstalled> {
        if let Some(desk) = self.desks.get_mut(&place) {
            desk.succeed(generation, installation);
            return Ok(());
        }
        if self.desks.len() >= INSTALLED_MAX {
            return Err(TooManyInstalled);
        }
        self.desks.insert(place, Desk::new(generation, installation));
        Ok(())
    }

    pub(super) fn remove(&mut self, place: &Place) {
        self.desks.remove(place);
        self.fast.retain(|queued| queued != place);
        self.slow.retain(|queued| queued != place);
    }

    pub(super) fn feed(&mut self, feed: Feed) -> Result<(), NotInstalled> {
        let desk = self.desks.get_mut(&feed.place).ok_or(NotInstalled)?;
        if desk.generation != feed.generation {
            return Err(NotInstalled);
        }
        let place = feed.place.clone();
        desk.mail.take_in(feed);
        self.queue(&place);
        Ok(())
    }

    pub(super) fn collect(&mut self) -> Vec<Assessed> {
        let mut collected = Vec::new();
        for place in std::mem::take(&mut self.answered) {
            if let Some(answer) = self.desks.get_mut(&place).and_then(|desk| desk.answer.take()) {
                collected.push(answer);
                self.queue(&place);
            }
        }
        collected
    }

    pub(super) fn close(&mut self) {
        self.closing = true;
    }

    pub(super) fn closing(&self) -> bool {
        self.closing
    }

    /// Puts a desk into a lane, if there is something to do and nothing in the way.
    fn queue(&mut self, place: &Place) {
        let Some(desk) = self.desks.get_mut(place) else { return };
        let ready = desk.seat.is_some() && desk.answer.is_none() && desk.mail.question.is_some();
        if !ready || desk.queued {
            return;
        }
        desk.queued = true;
        // Much mail is much work, whoever does it.
        let lane = if desk.mail.readings.len() > READINGS_PER_CALL_MAX { Lane::Slow } else { desk.lane };
        match lane {
            Lane::Fast => self.new.fast += 1,
            Lane::Slow => self.new.slow += 1,
        }
        self.lane(lane).push_back(place.clone());
    }

    /// What has come into the lanes since this was asked last.
    pub(super) fn take_new_work(&mut self) -> NewWork {
        std::mem::take(&mut self.new)
    }

    pub(super) fn take_errand(&mut self, lane: Lane) -> Option<Errand> {
        loop {
            let place = self.lane(lane).pop_front()?;
            let Some(desk) = self.desks.get_mut(&place) else { continue };
            desk.queued = false;
            // A desk whose detector was replaced after it was queued has no question, and may be without a seat.
            let Some((feed, assess_at)) = desk.mail.question else { continue };
            let Some(seat) = desk.seat.take() else { continue };
            let Mail { readings, lost, .. } = std::mem::take(&mut desk.mail);
            let work = Work { readings: readings.into(), assess_at, lost };
            return Some(Errand { place, generation: desk.generation, seat, feed, work });
        }
    }

    pub(super) fn bring_back(
        &mut self,
        errand: Errand,
        outcome: Result<Assessment, DetectorFault>,
        slow: bool,
    ) {
        let Errand { place, generation, seat, feed, work } = errand;
        let Some(desk) = self.desks.get_mut(&place) else { return };
        if let Some(successor) = desk.successor.take() {
            desk.seat = Some(Box::new(seat.succeeded_by(successor)));
            self.queue(&place);
            return;
        }
        if desk.generation != generation || desk.seat.is_some() {
            return;
        }
        desk.lane = if slow || !seat.is_proven() { Lane::Slow } else { Lane::Fast };
        desk.seat = Some(seat);
        let Place { machine, detector } = place.clone();
        desk.answer = Some(Assessed { machine, detector, generation, feed, at: work.assess_at, outcome });
        self.answered.insert(place);
    }

    fn lane(&mut self, lane: Lane) -> &mut VecDeque<Place> {
        match lane {
            Lane::Fast => &mut self.fast,
            Lane::Slow => &mut self.slow,
        }
    }
}

impl Desk {
    fn new(generation: u64, installation: Installation) -> Desk {
        Desk {
            generation,
            signals: installation.signals.clone(),
            seat: Some(Box::new(Seat::new(installation))),
            successor: None,
            mail: Mail::default(),
            answer: None,
            queued: false,
            // Until it has shown what it is.
            lane: Lane::Slow,
        }
    }

    /// Another detector takes over. What the one before was asked is no longer wanted; what it was shown is.
    fn succeed(&mut self, generation: u64, installation: Installation) {
        if self.signals != installation.signals {
            self.mail = Mail::default();
        }
        self.generation = generation;
        self.signals = installation.signals.clone();
        self.mail.question = None;
        self.answer = None;
        self.lane = Lane::Slow;
        match self.seat.take() {
            Some(seat) => self.seat = Some(Box::new(seat.succeeded_by(installation))),
            None => self.successor = Some(installation),
        }
    }
}

impl Mail {
    fn take_in(&mut self, feed: Feed) {
        self.question = Some((feed.feed, feed.assess_at));
        self.readings.extend(feed.readings);
        let surplus = self.readings.len().saturating_sub(MAILBOX_READINGS_MAX);
        self.readings.drain(..surplus);
        self.lost = self.lost.saturating_add(surplus);
    }
}
