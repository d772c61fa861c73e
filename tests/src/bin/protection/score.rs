//! What comes of asking every ten seconds.

use std::path::Path;

use anyhow::{Result, anyhow};
use idlegate::calibrate::Settings;
use idlegate::event::Name;
use idlegate::guard::PermissiveState;
use idlegate::replay::{Player, QuickModule, QuickRules, QuickSignal, Timeline, Track};
use idlegate::rules::{self, Surroundings, SystemSecrets};
use idlegate::service::Modules;
use idlegate::time::Span;
use serde_json::{Value, json};

use super::meters::{Day, secs};

const EVERY_MILLIS: i64 = 10_000;

/// From and until, in milliseconds, when power could be cut.
#[derive(Default)]
pub(crate) struct Stretches(pub(crate) Vec<(i64, i64)>);

#[derive(Default)]
pub(crate) struct Score {
    pub(crate) jobs: usize,
    pub(crate) job_secs: f64,
    pub(crate) hit: usize,
    cut_secs: f64,
    released_secs: Vec<f64>,
    /// Until the next job or the end of the day power was never let through.
    never: usize,
}

/// Whether power could be cut, at each time of asking.
pub(crate) type Answers = Vec<(i64, bool)>;

/// The guard with the proposed settings: engine, rules and the detector in its sandbox, as `idlegate replay` has them.
pub(crate) fn calibrated(
    folder: &Path,
    day: &Day,
    settings: &Settings,
    modules: &Modules,
) -> Result<Answers> {
    let power = Name::new("power")?;
    let rules = QuickRules::of_signals(
        &[QuickSignal { name: power, unit: "W".to_owned(), text: false }],
        QuickModule::BuiltIn("power-threshold"),
        &settings.to_toml(),
    )?;
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    let compiled = rules::compile(&rules::load(&rules.path()), &around);
    let plan = compiled.map_err(|problems| anyhow!("the rules cannot be used: {problems:?}"))?.plan;
    let mut timeline = Timeline::default();
    timeline.add(&plan, &folder.join(&day.take.name), Track::Whole)?;
    let mut answers = Answers::new();
    let every = Span(EVERY_MILLIS.unsigned_abs());
    Player::new(&plan, modules, timeline).play(
        Some(every),
        |_| {},
        |at, _, state| answers.push((at.0, state == PermissiveState::Clear)),
    )?;
    Ok(answers)
}

impl Stretches {
    pub(crate) fn answers(&self, day: &Day) -> Answers {
        let (from, until) = (day.take.from().0, day.take.until().0);
        (0..)
            .map(|step| from + step * EVERY_MILLIS)
            .take_while(|at| *at <= until)
            .map(|at| (at, self.0.iter().any(|(from, until)| (*from..*until).contains(&at))))
            .collect()
    }
}

impl Score {
    pub(crate) fn note(&mut self, day: &Day, allowed: &Answers) {
        let until = day.take.until().0;
        for (index, job) in day.jobs.iter().enumerate() {
            let next = day.jobs.get(index + 1).map_or(until, |next| next.from.0);
            let inside = allowed.iter().filter(|(at, _)| job.from.0 <= *at && *at <= job.until.0);
            let cut = inside.filter(|(_, allowed)| *allowed).count();
            #[expect(clippy::cast_precision_loss, reason = "a day has few probes")]
            let cut_secs = cut as f64 * secs(EVERY_MILLIS);
            self.jobs += 1;
            self.job_secs += secs(job.until.0 - job.from.0);
            self.hit += usize::from(cut > 0);
            self.cut_secs += cut_secs;
            let release = allowed.iter().find(|(at, allowed)| *at > job.until.0 && *at < next && *allowed);
            match release {
                Some((at, _)) => self.released_secs.push(secs(at - job.until.0)),
                None => self.never += 1,
            }
        }
    }

    pub(crate) fn add(&mut self, other: &Score) {
        self.jobs += other.jobs;
        self.job_secs += other.job_secs;
        self.hit += other.hit;
        self.cut_secs += other.cut_secs;
        self.never += other.never;
        self.released_secs.extend(&other.released_secs);
    }

    pub(crate) fn median_secs(&self) -> Option<f64> {
        self.released(0.5)
    }

    fn released(&self, part: f64) -> Option<f64> {
        let mut sorted = self.released_secs.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            clippy::cast_precision_loss,
            reason = "an index"
        )]
        let index = (part * sorted.len().saturating_sub(1) as f64).round() as usize;
        sorted.get(index).copied()
    }

    fn cut_share(&self) -> f64 {
        if self.job_secs > 0.0 { self.cut_secs / self.job_secs } else { 0.0 }
    }

    pub(crate) fn row(&self) -> String {
        let figure = |part| self.released(part).map_or("-".to_owned(), |secs| format!("{secs:.0}"));
        format!(
            "{:>5}{:>8.1}{:>6}{:>9.2}%{:>9}{:>9}",
            self.jobs,
            self.job_secs / 3_600.0,
            self.hit,
            self.cut_share() * 100.0,
            figure(0.5),
            figure(0.9)
        )
    }

    pub(crate) fn as_json(&self, guard: &str) -> Value {
        json!({
            "guard": guard, "jobs": self.jobs, "job_hours": self.job_secs / 3_600.0, "jobs_hit": self.hit,
            "cut_share": self.cut_share(), "release_median_seconds": self.released(0.5),
            "release_p90_seconds": self.released(0.9), "never_released": self.never,
        })
    }
}
