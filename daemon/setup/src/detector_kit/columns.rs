//! Whether recordings hold what a detector needs, before anything is tried on them.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

use super::trial::TrialError;
use idlegate_detectors::{DeclaredSignal, Description, ValueKind};
use idlegate_plan::Plan;
use idlegate_plan::text::nearest;
use idlegate_recordings::recording::RecordingReader;
use idlegate_recordings::replay::{self, Bound, SignalPlace, TimelineError};

/// Names what a needed signal lacks; gives the names of the recordings that nobody has a use for.
pub(super) fn look_over(
    plan: &Plan,
    description: &Description,
    recordings: &[PathBuf],
    named: &[SignalPlace],
) -> Result<Vec<Arc<str>>, TrialError> {
    let mut found: BTreeMap<Arc<str>, bool> = BTreeMap::new();
    let mut bound: BTreeSet<SignalPlace> = named.iter().copied().collect();
    for file in recordings {
        for point in RecordingReader::open(file).map_err(TimelineError::from)? {
            let point = point.map_err(TimelineError::from)?;
            if found.contains_key(&point.signal) {
                continue;
            }
            let used = match replay::bind(plan, &point.signal, point.unit.as_deref())? {
                Bound::To(place) => {
                    bound.insert(place);
                    true
                }
                Bound::ToSign(_) => true,
                Bound::ToNothing => false,
            };
            found.insert(point.signal, used);
        }
    }
    let signals = &plan.machines[0].signals;
    let has = |wanted: &DeclaredSignal| {
        bound.iter().any(|place| signals.get(place.signal.0).is_some_and(|signal| signal.name == wanted.name))
    };
    let unused: Vec<Arc<str>> =
        found.iter().filter(|(_, used)| !**used).map(|(name, _)| name.clone()).collect();
    match description.signals.iter().find(|signal| signal.needed && !has(signal)) {
        Some(lacking) => Err(TrialError::Lacking(sentence(lacking, description, &found, &unused))),
        None => Ok(unused),
    }
}

fn sentence(
    lacking: &DeclaredSignal,
    description: &Description,
    found: &BTreeMap<Arc<str>, bool>,
    unused: &[Arc<str>],
) -> String {
    let unit = match (lacking.kind, lacking.unit.as_str()) {
        (ValueKind::Text, _) => " (text)".to_owned(),
        (ValueKind::Number, "") => String::new(),
        (ValueKind::Number, unit) => format!(" ({unit})"),
    };
    let known = match found.len() {
        0 => "no recording of signals was given".to_owned(),
        _ => format!("there are {}", found.keys().map(AsRef::as_ref).collect::<Vec<_>>().join(", ")),
    };
    let (name, detector) = (&lacking.name, &description.name);
    let remedy = match nearest(lacking.name.as_str(), unused.iter().map(AsRef::as_ref)) {
        Some(near) => format!("; if {near} is meant, rename that column"),
        None => format!("; if it has a recording of its own, give --signal {name}=FILE"),
    };
    format!("{detector} needs {name}{unit}, and there is no such column: {known}{remedy}")
}
