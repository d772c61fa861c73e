//! Detectors on the caller's own thread: for replay, simulation and tests, where the same recording must give
//! the same assessments.

use std::collections::BTreeMap;

use super::runner::{Installation, Runner, Work};
use idlegate_plan::event::{Assessed, DetectorId, Feed};

/// Runs each detector at once, under the same limits and the same rules of conduct as [`Workers`](super::Workers).
#[derive(Debug, Default)]
pub struct Inline {
    runners: BTreeMap<DetectorId, (u64, Runner)>,
}

impl Inline {
    pub fn new() -> Inline {
        Inline::default()
    }

    /// Sets a detector to work, in place of the one that was there.
    pub fn install(&mut self, id: DetectorId, generation: u64, installation: Installation) {
        let runner = match self.runners.remove(&id) {
            Some((_, before)) => before.succeeded_by(installation),
            None => Runner::new(installation),
        };
        self.runners.insert(id, (generation, runner));
    }

    pub fn remove(&mut self, id: &DetectorId) {
        self.runners.remove(id);
    }

    /// The answer to a feed; none if its detector is not, or no longer, installed.
    pub fn feed(&mut self, feed: Feed) -> Option<Assessed> {
        let Feed { id, generation, feed, readings, assess_at } = feed;
        let (installed, runner) = self.runners.get_mut(&id)?;
        if *installed != generation {
            return None;
        }
        let outcome = runner.run(&Work { readings, assess_at, lost: 0 });
        let DetectorId { machine, detector } = id;
        Some(Assessed { machine, detector, generation, feed, at: assess_at, outcome })
    }
}
