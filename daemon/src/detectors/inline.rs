//! Detectors on the caller's own thread: for replay, simulation and tests, where the same recording must give
//! the same assessments.

use std::collections::BTreeMap;

use super::feed::{Feed, Place};
use super::seat::{Installation, Seat, Work};
use crate::event::Assessed;

/// Runs each detector at once, under the same limits and the same rules of conduct as [`Workers`](super::Workers).
#[derive(Debug, Default)]
pub struct Inline {
    seats: BTreeMap<Place, (u64, Seat)>,
}

impl Inline {
    pub fn new() -> Inline {
        Inline::default()
    }

    /// Sets a detector to work, in place of the one that was there.
    pub fn install(&mut self, place: Place, generation: u64, installation: Installation) {
        let seat = match self.seats.remove(&place) {
            Some((_, before)) => before.succeeded_by(installation),
            None => Seat::new(installation),
        };
        self.seats.insert(place, (generation, seat));
    }

    pub fn remove(&mut self, place: &Place) {
        self.seats.remove(place);
    }

    /// The answer to a feed; none if its detector is not, or no longer, installed.
    pub fn feed(&mut self, feed: Feed) -> Option<Assessed> {
        let Feed { place, generation, feed, readings, assess_at } = feed;
        let (installed, seat) = self.seats.get_mut(&place)?;
        if *installed != generation {
            return None;
        }
        let outcome = seat.run(&Work { readings, assess_at, lost: 0 });
        let Place { machine, detector } = place;
        Some(Assessed { machine, detector, generation, feed, at: assess_at, outcome })
    }
}
