//! Readings of several recordings in one order of time.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use super::binding::{self, BindingError, Bound, SignalPlace};
use crate::recording::{Point, RecordingError, RecordingReader};
use idlegate_engine::intake;
use idlegate_guard::time::WallTime;
use idlegate_plan::Plan;
use idlegate_plan::event::Value;

/// What a recording is to be used for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Track {
    /// Each of its signals finds its place by its name or unit.
    Whole,
    /// It has one signal, which is this one.
    Signal(SignalPlace),
}

#[derive(Debug, thiserror::Error)]
pub enum TimelineError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error("{file}: {fault}")]
    Binding { file: String, fault: BindingError },
    #[error("{file}: none of its signals is in the rules; it has {found}")]
    NothingBound { file: String, found: String },
    #[error("{file}:{line}: {name:?} is in {said:?}, but the rules expect {wanted:?}")]
    OtherUnit { file: String, line: u64, name: Arc<str>, said: Arc<str>, wanted: String },
    #[error("{file}: it has several signals, {found}, but --signal needs a recording of one signal")]
    SeveralSignals { file: String, found: String },
}

/// What a record is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum About {
    Reading(SignalPlace),
    /// Whether the meter of this signal was there.
    Sign(SignalPlace),
}

type Points = Box<dyn Iterator<Item = Result<Point, RecordingError>> + Send>;

/// A recording that is being read.
struct Source {
    file: String,
    points: Points,
    track: Track,
    /// By name in the file.
    bound: BTreeMap<Arc<str>, Bound>,
    next: Option<(WallTime, About, Value)>,
    /// Of each signal.
    latest: BTreeMap<SignalPlace, WallTime>,
    late: u64,
}

impl std::fmt::Debug for Source {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Source").field("file", &self.file).field("next", &self.next).finish_non_exhaustive()
    }
}

/// All readings that have a place, one at a time. What comes late within its signal is left out and counted: live,
/// an older reading never replaces a newer one.
#[derive(Debug, Default)]
pub struct Timeline {
    sources: Vec<Source>,
}

impl Timeline {
    pub fn add(&mut self, plan: &Plan, path: &Path, track: Track) -> Result<(), TimelineError> {
        let points = Box::new(RecordingReader::open(path)?);
        self.add_points(plan, path.display().to_string(), points, track)
    }

    /// From anything; `file` is what errors call it.
    pub fn add_points(
        &mut self,
        plan: &Plan,
        file: String,
        points: Points,
        track: Track,
    ) -> Result<(), TimelineError> {
        let (bound, latest) = (BTreeMap::new(), BTreeMap::new());
        let mut source = Source { file, points, track, bound, next: None, latest, late: 0 };
        source.advance(plan)?;
        if source.next.is_none() {
            let found = source.bound.keys().map(|name| format!("{name:?}")).collect::<Vec<_>>().join(", ");
            return Err(TimelineError::NothingBound { file: source.file, found });
        }
        self.sources.push(source);
        Ok(())
    }

    /// When the next reading was taken.
    pub fn next_at(&self) -> Option<WallTime> {
        self.sources.iter().filter_map(|source| source.next.as_ref()).map(|(at, ..)| *at).min()
    }

    pub fn take(&mut self, plan: &Plan) -> Result<Option<(WallTime, About, Value)>, TimelineError> {
        let waiting = self.sources.iter_mut().filter(|source| source.next.is_some());
        let first = waiting.min_by_key(|source| source.next.as_ref().map(|(at, ..)| *at));
        let Some(source) = first else { return Ok(None) };
        let taken = source.next.take();
        source.advance(plan)?;
        Ok(taken)
    }

    /// Readings that came too late to count.
    pub fn late(&self) -> u64 {
        self.sources.iter().map(|source| source.late).sum()
    }
}

impl Source {
    fn advance(&mut self, plan: &Plan) -> Result<(), TimelineError> {
        while let Some(point) = self.points.next() {
            let point = point?;
            let bound = match self.bound.get(&point.signal) {
                Some(bound) => bound,
                None => {
                    let bound = self.bind(plan, &point.signal, point.unit.as_deref())?;
                    self.bound.entry(point.signal.clone()).or_insert(bound)
                }
            };
            let place = match *bound {
                Bound::To(place) => place,
                // It is no reading, and makes none late.
                Bound::ToSign(place) => {
                    self.next = Some((point.at, About::Sign(place), point.value));
                    return Ok(());
                }
                Bound::ToNothing => continue,
            };
            let latest = self.latest.entry(place).or_insert(point.at);
            if point.at < *latest {
                self.late += 1;
                continue;
            }
            *latest = point.at;
            let wanted = plan.machines[place.machine].signals[place.signal].unit();
            let Some(value) = in_unit(&point, wanted) else {
                let (file, line, name) = (self.file.clone(), point.line, point.signal);
                let (said, wanted) = (point.unit.unwrap_or_default(), wanted.to_owned());
                return Err(TimelineError::OtherUnit { file, line, name, said, wanted });
            };
            self.next = Some((point.at, About::Reading(place), value));
            return Ok(());
        }
        Ok(())
    }

    fn bind(&self, plan: &Plan, name: &str, unit: Option<&str>) -> Result<Bound, TimelineError> {
        match self.track {
            Track::Whole => binding::bind(plan, name, unit)
                .map_err(|fault| TimelineError::Binding { file: self.file.clone(), fault }),
            Track::Signal(place) if self.bound.is_empty() => Ok(Bound::To(place)),
            Track::Signal(_) => {
                let found = self.bound.keys().map(|name| &**name).chain([name]);
                let found = found.map(|name| format!("{name:?}")).collect::<Vec<_>>().join(", ");
                Err(TimelineError::SeveralSignals { file: self.file.clone(), found })
            }
        }
    }
}

/// The recorded value in the unit of the rules, brought there as the guard does it; nothing if it is of another kind.
fn in_unit(point: &Point, wanted: &str) -> Option<Value> {
    match (&point.value, point.unit.as_deref()) {
        (Value::Number(number), Some(said)) if !wanted.is_empty() => {
            intake::in_unit(*number, said, wanted).map(Value::Number)
        }
        (value, _) => Some(value.clone()),
    }
}
