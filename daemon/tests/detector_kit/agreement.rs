//! Could go wrong in the workshop: a maker tests a detector, tries it, replays a week with it, and in the guard it says
//! something else. One recording must get one answer everywhere, through silences, traps and endless loops.

use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Duration;

use idlegate_detector::testing::{Recording, run_guarded};
use idlegate_detector::{Span as SdkSpan, Verdict};
use power_threshold::PowerThreshold;
use proptest::prelude::*;
use sha2::{Digest as _, Sha256};

use idlegate_setup::detector_kit::{Candidate, Trial, Wanted};

use super::handmade::Handmade;
use super::modules;
use idlegate_detectors::{Modules, Workers};
use idlegate_engine::{Effect, Engine, Former};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::event::{Event, LinkState, Message, Name};
use idlegate_plan::text::rfc3339;
use idlegate_plan::{MachineIx, Plan, SharedPlan};
use idlegate_recordings::replay::{
    Played, Player, TemporaryModule, TemporaryRules, TemporarySignal, Timeline, Track,
};
use idlegate_rules::{Surroundings, SystemSecrets};

/// 2026-01-05T10:00:00Z
const BEGIN: i64 = 1_767_607_200_000;
pub(super) const SETTINGS: &str = "busy_watts = 40, quiet_watts = 35, dwell = \"1 min\"";
const SETTINGS_JSON: &str = r#"{"busy_watts": 40, "quiet_watts": 35, "dwell": "1 min"}"#;

/// Milliseconds from its beginning, and watts.
pub(super) type Readings = Vec<(u64, f64)>;
/// From when on the machine was what.
pub(super) type States = Vec<(i64, PermissiveState)>;

/// Of several states at one time the last counts, and one that was there before is no news.
fn settled(told: impl IntoIterator<Item = (i64, PermissiveState)>) -> States {
    let mut states: States = Vec::new();
    for (at, state) in told {
        if states.last().is_some_and(|(last, _)| *last == at) {
            states.pop();
        }
        states.push((at, state));
    }
    states.dedup_by_key(|(_, state)| *state);
    states
}

fn table(text: &str) -> toml_edit::InlineTable {
    let document: toml_edit::DocumentMut = format!("s = {{ {text} }}").parse().unwrap();
    document["s"].as_inline_table().unwrap().clone()
}

pub(super) fn written(readings: &Readings) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("power.csv");
    let line = |(at, watts): &(u64, f64)| format!("{},{watts}\n", rfc3339(WallTime(BEGIN + *at as i64)));
    let lines: String = readings.iter().map(line).collect();
    std::fs::write(&path, format!("time,power\n{lines}")).unwrap();
    (folder, path)
}

pub(super) fn tried(candidate: &Candidate, settings: &str, file: &Path, modules: &Modules) -> States {
    let recordings = [file.to_owned()];
    let settings = table(settings);
    let wanted = Wanted { candidate, settings: &settings, recordings: &recordings, signals: &[] };
    let trial = Trial::run(&wanted, modules).unwrap();
    settled(trial.changes.iter().map(|change| (change.at.0, change.state)))
}

fn digest(file: &[u8]) -> String {
    Sha256::digest(file).iter().map(|byte| format!("{byte:02x}")).collect()
}

pub(super) fn plan(candidate: &Candidate, settings: &str, modules: &Modules) -> (Plan, TemporaryRules) {
    let signal = TemporarySignal { name: Name::new("power").unwrap(), unit: "W".to_owned(), text: false };
    let module = match candidate {
        Candidate::BuiltIn(name) => TemporaryModule::BuiltIn(name.as_str()),
        Candidate::File(path) => TemporaryModule::File(path, digest(&std::fs::read(path).unwrap())),
    };
    let rules = TemporaryRules::of_signals(&[signal], module, &table(settings)).unwrap();
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::CHECK };
    let plan = idlegate_rules::compile(&idlegate_rules::load(&rules.path()), &around).unwrap().plan;
    (plan, rules)
}

pub(super) fn replayed(plan: &Plan, file: &Path, modules: &Modules) -> States {
    let mut timeline = Timeline::default();
    timeline.add(plan, file, Track::Whole).unwrap();
    let mut told = Vec::new();
    let hear = |heard: Played<'_>| {
        if let Played::Changed(change) = heard {
            told.push((change.at.0, change.state));
        }
    };
    Player::new(plan, modules, timeline).play(None, hear, |_, _, _| ()).unwrap();
    settled(told)
}

/// The engine with the threads that the guard runs detectors on, each of which is waited for.
pub(super) struct Guard<'a> {
    engine: Engine,
    workers: Workers,
    woken: Receiver<()>,
    modules: &'a Modules,
    now: Now,
    told: Vec<(i64, PermissiveState)>,
}

impl<'a> Guard<'a> {
    pub(super) fn of(plan: &Plan, modules: &'a Modules) -> Guard<'a> {
        let (wake, woken) = sync_channel(1);
        let workers = Workers::start(Box::new(move || _ = wake.try_send(()))).unwrap();
        let now = Now { moment: Moment(1_000_000_000), wall: WallTime(BEGIN) };
        let engine = Engine::new(SharedPlan::new(plan.clone()), &Former::default(), now);
        Guard { engine, workers, woken, modules, now, told: Vec::new() }
    }

    pub(super) fn guards(mut self, readings: &Readings) -> States {
        let mut out = Vec::new();
        self.engine.start(self.now, &mut out);
        self.carry_out(out);
        self.event(Event::Link(LinkState::Up));
        self.hears("replay/state", "on");
        for (at, watts) in readings {
            let due = Moment(1_000_000_000 + at);
            while let Some(deadline) = self.engine.deadline().filter(|deadline| *deadline < due) {
                self.pass_to(deadline.max(self.now.moment));
                self.event(Event::Tick);
            }
            self.pass_to(due);
            self.hears("replay/power", &watts.to_string());
        }
        settled(self.told)
    }

    fn pass_to(&mut self, moment: Moment) {
        let passed = moment.0 - 1_000_000_000;
        self.now = Now { moment, wall: WallTime(BEGIN + passed as i64) };
    }

    fn hears(&mut self, topic: &str, payload: &str) {
        self.event(Event::Message(Message {
            topic: topic.into(),
            payload: payload.to_owned().into(),
            retained: false,
            proved: true,
            ours: false,
            age: Span::ZERO,
            response_topic: None,
            correlation: None,
        }));
    }

    fn event(&mut self, event: Event) {
        let mut out = Vec::new();
        self.engine.handle(self.now, event, &mut out);
        self.carry_out(out);
        self.told.push((self.now.wall.0, self.engine.permissive(self.now.moment, MachineIx(0))));
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        let mut fed = 0;
        for effect in effects {
            match effect {
                Effect::Install(install) => {
                    let installation = self.modules.installation(&install).unwrap();
                    self.workers.install(install.id, install.generation, installation).unwrap();
                }
                Effect::Remove(id) => self.workers.remove(&id),
                Effect::Feed(feed) => {
                    fed = feed.feed;
                    self.workers.feed(feed).unwrap();
                }
                _ => {}
            }
        }
        while fed > 0 {
            for assessed in self.workers.collect() {
                fed = if assessed.feed == fed { 0 } else { fed };
                let mut out = Vec::new();
                self.engine.handle(self.now, Event::Assessed(assessed), &mut out);
                assert!(!out.iter().any(|effect| matches!(effect, Effect::Feed(_))));
            }
            if fed > 0 {
                self.woken.recv_timeout(Duration::from_secs(60)).unwrap();
            }
        }
    }
}

/// A machine's day: steps of up to a gap that outlasts `stale_after`, and draws on both sides of the levels.
fn day(plants: &'static [f64]) -> impl Strategy<Value = Readings> {
    let pause = prop_oneof![
        8 => 1_000..10_000_u64,
        2 => 20_000..40_000_u64,
        1 => Just(30_000_u64),
        1 => 60_000..200_000_u64,
    ];
    let watts =
        prop_oneof![4 => Just(5.0), 3 => Just(90.0), 1 => Just(37.0), 1 => prop::sample::select(plants)];
    prop::collection::vec((pause, watts), 1..60)
        .prop_map(|steps| {
            let mut at = 0;
            let step = |(pause, watts)| {
                at += pause;
                (at, watts)
            };
            steps.into_iter().map(step).map(|(at, watts)| (at - at % 100, watts)).collect::<Vec<_>>()
        })
        .prop_map(|mut readings| {
            let begin = readings[0].0;
            readings.iter_mut().for_each(|(at, _)| *at -= begin);
            readings
        })
}

pub(super) fn by_the_kit(readings: &Readings) -> States {
    let recording = Recording::of_numbers(readings.iter().copied());
    let run = run_guarded::<PowerThreshold>(SETTINGS_JSON, &recording, SdkSpan::from_secs(30)).unwrap();
    let state = |verdict| match verdict {
        Verdict::Busy => PermissiveState::Busy,
        Verdict::Idle => PermissiveState::Clear,
        Verdict::Unknown => PermissiveState::Unknown,
    };
    settled(run.steps.iter().map(|step| (BEGIN + step.at.0 as i64, state(step.assessment.verdict))))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn the_kit_a_trial_a_replay_and_the_guard_say_the_same_of_one_recording(readings in day(&[34.9, 40.0, 40.1, -1.0])) {
        let modules = modules();
        let candidate = Candidate::BuiltIn(Name::new("power-threshold").unwrap());
        let (_folder, file) = written(&readings);
        let tried = tried(&candidate, SETTINGS, &file, &modules);
        let (plan, _rules) = plan(&candidate, SETTINGS, &modules);
        prop_assert_eq!(&replayed(&plan, &file, &modules), &tried);
        prop_assert_eq!(&Guard::of(&plan, &modules).guards(&readings), &tried);
        prop_assert_eq!(&by_the_kit(&readings), &tried);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// 666 makes this detector trap, 777 makes it loop for ever.
    #[test]
    fn a_trial_a_replay_and_the_guard_agree_on_traps_and_loops(readings in day(&[666.0, 777.0])) {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("handmade.wasm");
        std::fs::write(&file, Handmade::default().file()).unwrap();
        let modules = modules();
        let candidate = Candidate::File(file);
        let (_recording, recording) = written(&readings);
        let tried = tried(&candidate, "", &recording, &modules);
        let (plan, _rules) = plan(&candidate, "", &modules);
        prop_assert_eq!(&replayed(&plan, &recording, &modules), &tried);
        prop_assert_eq!(&Guard::of(&plan, &modules).guards(&readings), &tried);
    }
}
