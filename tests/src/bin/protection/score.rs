//! When power could have been cut, and what that would have meant for each job.

use std::path::Path;

use anyhow::{Result, anyhow};
use idlegate_detectors::Modules;
use idlegate_guard::PermissiveState;
use idlegate_plan::event::Name;
use idlegate_recordings::calibrate::{Settings, let_through};
use idlegate_recordings::replay::{
    Played, Player, TemporaryModule, TemporaryRules, TemporarySignal, Timeline, Track,
};
use idlegate_rules::{self as rules, Surroundings, SystemSecrets};

use super::meters::{Day, secs};

/// From and until, in milliseconds, when power could be cut.
#[derive(Default)]
pub(crate) struct Stretches(pub(crate) Vec<(i64, i64)>);

/// What became of one job.
#[derive(Clone, Copy, Debug)]
pub(crate) struct JobScore {
    pub(crate) hit: bool,
    pub(crate) released_secs: Option<f64>,
}

/// The guard with the proposed settings: engine, rules and the detector in its sandbox, as `idlegate replay` has them,
/// to the millisecond.
pub(crate) fn guarded(file: &Path, settings: &Settings, modules: &Modules) -> Result<Stretches> {
    let power = Name::new("power")?;
    let rules = TemporaryRules::of_signals(
        &[TemporarySignal { name: power, unit: "W".to_owned(), text: false }],
        TemporaryModule::BuiltIn("power-threshold"),
        &settings.to_toml(),
    )?;
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    let compiled = rules::compile(&rules::load(&rules.path()), &around);
    let plan = compiled.map_err(|problems| anyhow!("the rules cannot be used: {problems:?}"))?.plan;
    let mut timeline = Timeline::default();
    timeline.add(&plan, file, Track::Whole)?;
    let mut stretches = Stretches::default();
    let mut clear_since = None;
    let hear = |heard: Played<'_>| {
        let Played::Changed(change) = heard else { return };
        match (change.state == PermissiveState::Clear, clear_since) {
            (true, None) => clear_since = Some(change.at.0),
            (false, Some(from)) => {
                stretches.0.push((from, change.at.0));
                clear_since = None;
            }
            (true, Some(_)) | (false, None) => {}
        }
    };
    let ended = Player::new(&plan, modules, timeline).play(None, hear, |_, _, _| {})?;
    stretches.0.extend(clear_since.map(|from| (from, ended.until.0 + 1)));
    Ok(stretches)
}

/// The detector's own rules alone, to the millisecond.
pub(crate) fn detected(day: &Day, settings: &Settings) -> Stretches {
    let stretches = let_through(&day.take, settings.limits()).0;
    Stretches(stretches.iter().map(|it| (it.from.0, it.until.0)).collect())
}

/// Job by job of this day.
pub(crate) fn score(day: &Day, allowed: &Stretches) -> Vec<JobScore> {
    let end = day.take.until().0;
    let jobs = day.jobs.iter().enumerate().map(|(index, job)| {
        let next = day.jobs.get(index + 1).map_or(end, |next| next.from.0);
        let hit = allowed.0.iter().any(|(from, until)| job.from.0 < *until && *from <= job.until.0);
        let after = allowed.0.iter().find(|(_, until)| *until > job.until.0);
        let at = after.map(|(from, _)| (*from).max(job.until.0)).filter(|at| *at < next);
        JobScore { hit, released_secs: at.map(|at| secs(at - job.until.0)) }
    });
    jobs.collect()
}
