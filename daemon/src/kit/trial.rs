//! A detector on a recording, in the sandbox and under the engine: what it would have said, and the picture of it.

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;

use super::look;
use crate::detectors::{Description, ValueKind};
use crate::event::{Name, Value};
use crate::guard::PermissiveState;
use crate::picture::{Picture, Shade, Stretch, Strip};
use crate::plan::{ModuleSource, Plan};
use crate::replay::{
    self, BindingError, Change, Ended, Heard, Player, QuickModule, QuickRules, QuickSignal, Stopped,
    Timeline, TimelineError, Track, Troubles,
};
use crate::rules::{Surroundings, SystemSecrets};
use crate::service::Modules;
use crate::time::{Span, WallTime};

/// The detector to be tried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Candidate {
    BuiltIn(Name),
    File(PathBuf),
}

#[derive(Debug)]
pub struct Wanted<'a> {
    pub candidate: &'a Candidate,
    pub settings: &'a toml_edit::InlineTable,
    /// Each of its signals finds its place by name or unit.
    pub recordings: &'a [PathBuf],
    /// Signal and recording.
    pub signals: &'a [(String, PathBuf)],
}

#[derive(Debug, thiserror::Error)]
pub enum TrialError {
    /// Why the detector is not taken, in one line.
    #[error("{0}")]
    NotTaken(String),
    /// One problem a line.
    #[error("{0}")]
    Settings(String),
    #[error(transparent)]
    Io(#[from] std::io::Error),
    #[error(transparent)]
    Binding(#[from] BindingError),
    #[error(transparent)]
    Timeline(#[from] TimelineError),
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// What came of it.
#[derive(Debug)]
pub struct Trial {
    pub description: Description,
    pub changes: Vec<Change>,
    pub ended: Ended,
    pub troubles: Troubles,
    /// By index into the description's signals; none of those that are text.
    curves: Vec<Vec<(WallTime, f64)>>,
}

impl Trial {
    pub fn run(wanted: &Wanted<'_>, modules: &Modules) -> Result<Trial, TrialError> {
        let source = match wanted.candidate {
            Candidate::BuiltIn(name) => ModuleSource::BuiltIn(name.clone()),
            // Whoever tries a file wants this very one, however big.
            Candidate::File(path) => {
                ModuleSource::File { path: path.clone(), sha256: Some(look::digest(&std::fs::read(path)?)) }
            }
        };
        let description = modules.get(&source).map_err(TrialError::NotTaken)?.description().clone();
        let (plan, _folder) = plan(wanted, &description, modules)?;
        let mut timeline = Timeline::default();
        for file in wanted.recordings {
            timeline.add(&plan, file, Track::Whole)?;
        }
        for (name, file) in wanted.signals {
            timeline.add(&plan, file, Track::Signal(replay::bind_named(&plan, name)?))?;
        }
        let places = in_order_of_description(&plan, &description);
        let mut changes = Vec::new();
        let mut troubles = Troubles::default();
        let mut curves = vec![Vec::new(); description.signals.len()];
        let hear = |heard: Heard<'_>| match heard {
            Heard::Changed(change) => changes.push(change.clone()),
            Heard::Read(at, place, Value::Number(value)) => {
                if let Some(index) = places.iter().position(|signal| *signal == Some(place.signal)) {
                    curves[index].push((at, *value));
                }
            }
            Heard::Failed(at, machine, fault) => troubles.add(at, machine, fault),
            Heard::Read(..) | Heard::Decided(_) => {}
        };
        let ended = Player::new(&plan, modules, timeline).play(None, hear, |_, _, _| ())?;
        Ok(Trial { description, changes, ended, troubles, curves })
    }

    /// How long each state lasted in all.
    pub fn sum(&self, state: PermissiveState) -> Span {
        let of_state = self.stretches().into_iter().filter(|stretch| stretch.shade == shade(state));
        of_state.fold(Span::ZERO, |sum, stretch| sum + length(stretch.from, stretch.until))
    }

    /// One picture for each signal that is a number and was in the recording.
    pub fn pictures(&self) -> Vec<Picture> {
        let verdicts = self.stretches();
        let signals = self.description.signals.iter().zip(&self.curves);
        let drawn = signals.filter(|(_, curve)| !curve.is_empty());
        drawn
            .map(|(signal, curve)| Picture {
                title: format!("{} {}", self.description.name, self.description.version),
                caption: self.description.purpose.clone(),
                from: self.ended.from,
                until: self.ended.until,
                zone: TimeZone::UTC,
                quantity: match signal.unit.as_str() {
                    "" => signal.name.to_string(),
                    unit => format!("{}, {unit}", signal.name),
                },
                curve: curve.clone(),
                gap_millis: gap_millis(curve),
                levels: Vec::new(),
                strips: vec![Strip { label: "verdict".to_owned(), stretches: verdicts.clone() }],
            })
            .collect()
    }

    fn stretches(&self) -> Vec<Stretch> {
        let ends = self.changes.iter().skip(1).map(|change| change.at).chain([self.ended.until]);
        let each = self.changes.iter().zip(ends).filter(|(change, until)| change.at < *until);
        each.map(|(change, until)| Stretch {
            from: change.at,
            until,
            shade: shade(change.state),
            note: format!("{} for {}", change.reason, length(change.at, until)),
        })
        .collect()
    }
}

/// One machine whose signals are what the detector declares.
fn plan(
    wanted: &Wanted<'_>,
    description: &Description,
    modules: &Modules,
) -> Result<(Plan, QuickRules), TrialError> {
    let signals: Vec<QuickSignal> = description
        .signals
        .iter()
        .map(|signal| QuickSignal {
            name: signal.name.clone(),
            unit: signal.unit.clone(),
            text: signal.kind == ValueKind::Text,
        })
        .collect();
    let module = match wanted.candidate {
        Candidate::BuiltIn(name) => QuickModule::BuiltIn(name.as_str()),
        Candidate::File(path) => QuickModule::File(path, look::digest(&std::fs::read(path)?)),
    };
    let rules = QuickRules::of_signals(&signals, module, wanted.settings)?;
    let folder = crate::rules::load(&rules.path());
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    match crate::rules::compile(&folder, &around) {
        Ok(compiled) => Ok((compiled.plan, rules)),
        Err(problems) => {
            let errors = problems.iter().filter(|problem| problem.is_error());
            // The rules were made up for this; where in them it stands tells nobody anything.
            let told: Vec<String> = errors.map(|problem| problem.message_and_help()).collect();
            Err(TrialError::Settings(told.join("\n")))
        }
    }
}

fn in_order_of_description(plan: &Plan, description: &Description) -> Vec<Option<usize>> {
    let index = |name: &Name| plan.machines[0].signals.iter().position(|signal| signal.name == *name);
    description.signals.iter().map(|signal| index(&signal.name)).collect()
}

/// Three times the usual interval, and a minute at least.
fn gap_millis(curve: &[(WallTime, f64)]) -> i64 {
    let mut pauses: Vec<i64> = curve.windows(2).map(|pair| pair[1].0.0 - pair[0].0.0).collect();
    pauses.sort_unstable();
    pauses.get(pauses.len() / 2).map_or(60_000, |usual| usual.saturating_mul(3).max(60_000))
}

fn shade(state: PermissiveState) -> Shade {
    match state {
        PermissiveState::Busy => Shade::Busy,
        PermissiveState::Clear => Shade::Idle,
        PermissiveState::Unknown => Shade::Unknown,
    }
}

fn length(from: WallTime, until: WallTime) -> Span {
    Span(u64::try_from(until.0 - from.0).unwrap_or(0))
}

/// A file if there is one of that name, else a built-in detector.
impl From<&Path> for Candidate {
    fn from(path: &Path) -> Candidate {
        match path.to_str().map(Name::new) {
            Some(Ok(name)) if !path.exists() => Candidate::BuiltIn(name),
            Some(_) | None => Candidate::File(path.to_owned()),
        }
    }
}
