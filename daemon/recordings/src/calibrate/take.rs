//! One recording of a machine's draw, as a detector would have seen it.

use std::path::Path;
use std::sync::Arc;

use crate::recording::{Oddities, Point, RecordingError, RecordingReader};
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::event::Value;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    pub at: WallTime,
    pub watts: f64,
}

/// In order of time. What came late is left out, as the guard leaves it out: an older reading never replaces a newer.
#[derive(Clone, Debug)]
pub struct Take {
    /// As people know the file.
    pub name: String,
    pub samples: Vec<Sample>,
    /// Readings with an earlier time than one before them.
    pub late: u64,
    pub oddities: Oddities,
}

#[derive(Debug, thiserror::Error)]
pub enum TakeError {
    #[error(transparent)]
    Recording(#[from] RecordingError),
    #[error("{file}: there is no signal in watts; it has {found}; use --signal to name the one to use")]
    NoPower { file: String, found: String },
    #[error("{file}: there is no signal called {wanted:?}; it has {found}")]
    NoSuchSignal { file: String, wanted: String, found: String },
    #[error("{file}: {first:?} and {second:?} are both in watts; use --signal to name the one to use")]
    SeveralPowers { file: String, first: String, second: String },
    #[error("{file}: there are no readings in it")]
    Empty { file: String },
}

impl Take {
    /// Reads the signal of this name, or the only one in watts.
    pub fn read(path: &Path, signal: Option<&str>) -> Result<Take, TakeError> {
        Take::from_reader(path.display().to_string(), RecordingReader::open(path)?, signal)
    }

    pub(crate) fn from_reader(
        file: String,
        mut reader: RecordingReader,
        signal: Option<&str>,
    ) -> Result<Take, TakeError> {
        let take = Take::from_points(file, &mut reader, signal)?;
        Ok(Take { oddities: reader.oddities().clone(), ..take })
    }

    /// What is odd about them is not known then.
    pub fn from_points(
        file: String,
        points: impl Iterator<Item = Result<Point, RecordingError>>,
        signal: Option<&str>,
    ) -> Result<Take, TakeError> {
        let mut samples: Vec<Sample> = Vec::new();
        let mut chosen: Option<Arc<str>> = None;
        let mut others: Vec<Arc<str>> = Vec::new();
        let mut late = 0;
        for point in points {
            let point = point?;
            let Value::Number(watts) = point.value else { continue };
            let wanted = match signal {
                Some(name) => &*point.signal == name,
                None => point.unit.as_deref() == Some("W"),
            };
            if !wanted {
                if !others.contains(&point.signal) {
                    others.push(point.signal);
                }
                continue;
            }
            match &chosen {
                Some(first) if *first != point.signal => {
                    let (first, second) = (first.to_string(), point.signal.to_string());
                    return Err(TakeError::SeveralPowers { file, first, second });
                }
                Some(_) => {}
                None => chosen = Some(point.signal),
            }
            if samples.last().is_some_and(|last| point.at < last.at) {
                late += 1;
                continue;
            }
            samples.push(Sample { at: point.at, watts });
        }
        if samples.is_empty() {
            let found = others.iter().map(|name| format!("{name:?}")).collect::<Vec<_>>().join(", ");
            return Err(match (signal, others.is_empty()) {
                (_, true) => TakeError::Empty { file },
                (Some(wanted), false) => TakeError::NoSuchSignal { file, wanted: wanted.to_owned(), found },
                (None, false) => TakeError::NoPower { file, found },
            });
        }
        Ok(Take { name: file, samples, late, oddities: Oddities::default() })
    }

    pub fn from(&self) -> WallTime {
        self.samples.first().map_or(WallTime(0), |sample| sample.at)
    }

    pub fn until(&self) -> WallTime {
        self.samples.last().map_or(WallTime(0), |sample| sample.at)
    }

    /// The readings from the first moment up to and including the other.
    pub(super) fn between(&self, from: WallTime, until: WallTime) -> &[Sample] {
        let begin = self.samples.partition_point(|sample| sample.at < from);
        let end = self.samples.partition_point(|sample| sample.at <= until);
        self.samples.get(begin..end).unwrap_or_default()
    }

    /// How far readings usually lie apart at most: 99 of 100 pauses between them are no longer.
    pub(super) fn interval_usual_max(&self) -> Span {
        let mut pauses: Vec<u64> =
            self.samples.windows(2).map(|pair| since(pair[0].at, pair[1].at).0).collect();
        pauses.sort_unstable();
        let index = pauses.len().saturating_sub(1) * 99 / 100;
        Span(pauses.get(index).copied().unwrap_or(0))
    }
}

/// The time from one to the other; nothing if it is the other way round.
pub(super) fn since(earlier: WallTime, later: WallTime) -> Span {
    Span(u64::try_from(later.0.saturating_sub(earlier.0)).unwrap_or(0))
}
