//! A detector on a recording, in the sandbox and under the engine: what it would have said, and the picture of it.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::tz::TimeZone;

use super::{columns, look};
use idlegate_detectors::{Description, Modules, ValueKind};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Span, WallTime};
use idlegate_os::files;
use idlegate_pictures::picture::{Picture, Shade, Stretch, Strip};
use idlegate_plan::event::{Name, Value};
use idlegate_plan::{ModuleSource, Plan, SignalIx, indexed};
use idlegate_recordings::replay::{
    self, BindingError, Ended, Played, Player, StateChange, Stopped, TemporaryModule, TemporaryRules,
    TemporarySignal, Timeline, TimelineError, Track, Troubles,
};
use idlegate_rules::{MODULE_BYTES_MAX, Surroundings, SystemSecrets};

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
    /// What the recordings lack, before anything is tried.
    #[error("{0}")]
    Lacking(String),
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
    pub changes: Vec<StateChange>,
    pub ended: Ended,
    pub troubles: Troubles,
    /// Names in the recordings that are none of its signals.
    pub unused: Vec<Arc<str>>,
    /// By index into the description's signals; none of those that are text.
    curves: Vec<Vec<(WallTime, f64)>>,
}

impl Trial {
    pub fn run(wanted: &Wanted<'_>, modules: &Modules) -> Result<Trial, TrialError> {
        let source = match wanted.candidate {
            Candidate::BuiltIn(name) => ModuleSource::BuiltIn(name.clone()),
            // Whoever tries a file wants this very one, however big.
            Candidate::File(path) => ModuleSource::File {
                path: path.clone(),
                sha256: Some(look::digest(&files::read_bytes(path, MODULE_BYTES_MAX)?)),
                pinned: true,
            },
        };
        let description = modules.get(&source).map_err(TrialError::NotTaken)?.description().clone();
        let (plan, _folder) = plan(wanted, &description, modules)?;
        let named = wanted.signals.iter().map(|(name, _)| replay::bind_named(&plan, name));
        let named = named.collect::<Result<Vec<_>, _>>()?;
        let unused = columns::look_over(&plan, &description, wanted.recordings, &named)?;
        let mut timeline = Timeline::default();
        for file in wanted.recordings {
            timeline.add(&plan, file, Track::Whole)?;
        }
        for ((_, file), place) in wanted.signals.iter().zip(named) {
            timeline.add(&plan, file, Track::Signal(place))?;
        }
        let places = in_order_of_description(&plan, &description);
        let mut changes = Vec::new();
        let mut troubles = Troubles::default();
        let mut curves = vec![Vec::new(); description.signals.len()];
        let hear = |heard: Played<'_>| match heard {
            Played::Changed(change) => changes.push(change.clone()),
            Played::Read(at, place, Value::Number(value)) => {
                if let Some(index) = places.iter().position(|signal| *signal == Some(place.signal)) {
                    curves[index].push((at, *value));
                }
            }
            Played::Failed(at, machine, fault) => troubles.add(at, machine, fault),
            Played::Read(..) | Played::Asked(..) | Played::Decided(_) | Played::JobEnded(_) => {}
        };
        let player = Player::new(&plan, modules, timeline).telling_reasons();
        let ended = player.play(None, hear, |_, _, _| ())?;
        Ok(Trial { description, changes: settled(changes), ended, troubles, unused, curves })
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

/// Without what lasted no time at all: the signals of one line come one after the other.
fn settled(changes: Vec<StateChange>) -> Vec<StateChange> {
    let mut settled: Vec<StateChange> = Vec::new();
    for change in changes {
        if settled.last().is_some_and(|last| last.at == change.at) {
            settled.pop();
        }
        settled.push(change);
    }
    settled.dedup_by(|later, earlier| later.state == earlier.state && later.reason == earlier.reason);
    settled
}

/// One machine whose signals are what the detector declares.
fn plan(
    wanted: &Wanted<'_>,
    description: &Description,
    modules: &Modules,
) -> Result<(Plan, TemporaryRules), TrialError> {
    let signals: Vec<TemporarySignal> = description
        .signals
        .iter()
        .map(|signal| TemporarySignal {
            name: signal.name.clone(),
            unit: signal.unit.clone(),
            text: signal.kind == ValueKind::Text,
        })
        .collect();
    let module = match wanted.candidate {
        Candidate::BuiltIn(name) => TemporaryModule::BuiltIn(name.as_str()),
        Candidate::File(path) => {
            TemporaryModule::File(path, look::digest(&files::read_bytes(path, MODULE_BYTES_MAX)?))
        }
    };
    let rules = TemporaryRules::of_signals(&signals, module, wanted.settings)?;
    let folder = idlegate_rules::load(&rules.path());
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    match idlegate_rules::compile(&folder, &around) {
        Ok(compiled) => Ok((compiled.plan, rules)),
        Err(problems) => {
            let errors = problems.iter().filter(|problem| problem.is_error());
            // The rules were made up for this; where in them it stands tells nobody anything.
            let told: Vec<String> = errors.map(|problem| problem.message_and_help()).collect();
            Err(TrialError::Settings(told.join("\n")))
        }
    }
}

fn in_order_of_description(plan: &Plan, description: &Description) -> Vec<Option<SignalIx>> {
    let signals = &plan.machines[0].signals;
    let index =
        |name: &Name| indexed(signals).find(|(_, signal)| signal.name == *name).map(|(index, _)| index);
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
