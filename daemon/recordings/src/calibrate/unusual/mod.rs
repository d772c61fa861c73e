//! What is unusual for a machine: from recordings of many days to the settings of unusual-draw.
//!
//! A limit is a statement about days that nobody has seen yet, so each day of work counts as one trial (`days.rs`): how
//! high the draw held, for how long it was on without a pause, how short its shortest work was. How far beyond all of
//! them a limit must lie for one false warning in so many days is a question of how many days there were and how far
//! they spread (`margin.rs`). Where that is too far for the warning to be worth anything, the setting stays off, and
//! the reason is said. What comes out is tried on the very recordings with the detector's own rules before it is
//! proposed.

mod days;
mod learn;
mod margin;
mod report;
mod settings;
mod switch_ons;
#[cfg(test)]
mod tests;
mod toml_file;

use std::path::Path;

use idlegate_detector::Millis;

use super::take::{Sample, Take, TakeError};
use crate::recording::{Point, RecordingError, RecordingReader};
use idlegate_engine::intake;
use idlegate_guard::Switch;
use idlegate_guard::time::WallTime;
use idlegate_plan::StateTopic;
use idlegate_plan::event::Value;

pub use learn::{Learned, Lesson, learn, warnings};
pub use report::words;
pub use settings::Settings;
pub use toml_file::write;

/// A recording, and when the outlet was switched meanwhile, as far as that was recorded.
#[derive(Clone, Debug)]
pub struct Past {
    take: Take,
    /// In order of time, each another than the one before.
    switched: Vec<(WallTime, Switch)>,
}

/// Under which name the outlet's words were recorded, and what they mean.
#[derive(Clone, Copy, Debug)]
pub struct OutletWords<'a> {
    pub name: &'a str,
    pub state: &'a StateTopic,
}

/// One after the other, as the detector is shown them.
#[derive(Clone, Copy, Debug)]
enum Event {
    Outlet { at: Millis, is_off: bool },
    Power(Sample),
}

impl Past {
    pub fn new(take: Take, mut switched: Vec<(WallTime, Switch)>) -> Past {
        switched.sort_by_key(|(at, _)| *at);
        switched.dedup_by_key(|(_, to)| *to);
        Past { take, switched }
    }

    pub fn read(
        path: &Path,
        signal: Option<&str>,
        outlet: Option<OutletWords<'_>>,
    ) -> Result<Past, TakeError> {
        let mut reader = RecordingReader::open(path)?;
        let past = Past::from_points(path.display().to_string(), &mut reader, signal, outlet)?;
        let take = Take { oddities: reader.oddities().clone(), ..past.take };
        Ok(Past { take, switched: past.switched })
    }

    /// What is odd about them is not known then.
    pub fn from_points(
        file: String,
        points: impl Iterator<Item = Result<Point, RecordingError>>,
        signal: Option<&str>,
        outlet: Option<OutletWords<'_>>,
    ) -> Result<Past, TakeError> {
        let mut switched = Vec::new();
        let points = points.inspect(|point| {
            let words = point.as_ref().ok().zip(outlet);
            switched.extend(words.and_then(|(point, outlet)| Some((point.at, outlet.said(point)?))));
        });
        let take = Take::from_points(file, points, signal)?;
        Ok(Past::new(take, switched))
    }

    /// Without the draws of an outlet that was off, which tell nothing of how the machine rests.
    fn while_on(&self) -> Take {
        let mut switched = self.switched.iter().peekable();
        let mut is_off = false;
        let on = self.take.samples.iter().filter(|sample| {
            while let Some((_, to)) = switched.next_if(|(at, _)| *at <= sample.at) {
                is_off = *to == Switch::Off;
            }
            !is_off
        });
        let Take { name, late, oddities, .. } = &self.take;
        let (name, oddities) = (name.clone(), oddities.clone());
        Take { name, samples: on.copied().collect(), late: *late, oddities }
    }

    fn events(&self) -> impl Iterator<Item = Event> + '_ {
        let mut switched = self.switched.iter().peekable();
        let mut samples = self.take.samples.iter().peekable();
        std::iter::from_fn(move || {
            let first = match (switched.peek(), samples.peek()) {
                (Some((at, _)), Some(sample)) => *at <= sample.at,
                (Some(_), None) => true,
                (None, _) => false,
            };
            if first {
                let (at, to) = switched.next()?;
                return Some(Event::Outlet { at: moment(*at), is_off: *to == Switch::Off });
            }
            samples.next().copied().map(Event::Power)
        })
    }
}

impl OutletWords<'_> {
    fn said(&self, point: &Point) -> Option<Switch> {
        let Value::Text(text) = &point.value else { return None };
        if *point.signal != *self.name {
            return None;
        }
        let word = intake::decode_word(&self.state.source.path, text.as_bytes()).ok()?;
        match word {
            word if word == self.state.on => Some(Switch::On),
            word if word == self.state.off => Some(Switch::Off),
            _ => None,
        }
    }
}

/// The detector knows no calendar.
fn moment(at: WallTime) -> Millis {
    Millis(u64::try_from(at.0).unwrap_or(0))
}
