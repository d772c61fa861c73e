//! Looks after the rules folder: whatever is on disk last is in force within a second, or said not to be.
//!
//! A thread of its own watches, reads and compiles; the loop only ever receives an outcome. Watching files is not to be
//! relied upon (a watch goes deaf when its folder is replaced, and some file systems tell of nothing), so every event
//! means no more than "look again", and it is looked again every second besides.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::time::{Duration, Instant};

use notify::{RecommendedWatcher, RecursiveMode, Watcher as _};
use tokio::sync::mpsc;

use super::trying::Trying;
use idlegate_detectors::Modules;
use idlegate_plan::{ModuleSource, Plan, SharedPlan};
use idlegate_rules::{self as rules, Folder, Surroundings, SystemSecrets, tried};

/// How often to look without being told to.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// An editor writes in several steps: it is waited until none has come for so long,
const QUIET: Duration = Duration::from_millis(150);
/// but no longer than this.
const QUIET_WAIT_MAX: Duration = Duration::from_millis(600);
/// Every so many looks the contents are read even where no file seems to have been touched.
const LOOKS_TO_READ_ALL: u32 = 10;
/// Outcomes that the loop has not taken yet.
const OUTCOMES_MAX: usize = 4;
/// More files than this are not looked at one by one; their contents are.
const TOUCHES_MAX: usize = 2_048;

/// What came of looking. Each look that had something to find, or was asked for, ends in exactly one.
#[derive(Debug)]
pub(super) enum Outcome {
    Applied(Box<Applied>),
    /// The rules on disk are those in force. Said when it was asked for, or when they had been broken before.
    Unchanged,
    /// The old rules stay in force, for these reasons.
    KeptOld {
        why: KeptOld,
        problems: Vec<String>,
    },
}

/// In one word, why changed rules are not in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum KeptOld {
    Mistake,
    /// The last run ended while it was trying them.
    HeldBack,
}

#[derive(Debug)]
pub(super) struct Applied {
    pub(super) plan: SharedPlan,
    pub(super) modules: Arc<Modules>,
    /// Detectors whose file has another content than before.
    pub(super) replaced: BTreeSet<ModuleSource>,
    pub(super) warnings: Vec<String>,
}

/// Ends its thread when it is dropped.
#[derive(Debug)]
pub(super) struct Reloader {
    pings: SyncSender<()>,
    asked: Arc<AtomicBool>,
    outcomes: mpsc::Receiver<Outcome>,
    state_dir: Option<PathBuf>,
}

impl Reloader {
    /// `plan` and `modules` are in force now.
    ///
    /// A copy of whatever is in force and has proven itself is kept in the state folder, if there is one.
    pub(super) fn start(
        dir: &Path,
        trying: Trying,
        plan: SharedPlan,
        modules: Arc<Modules>,
    ) -> std::io::Result<Reloader> {
        let (pings, pinged) = sync_channel(1);
        let (tell, outcomes) = mpsc::channel(OUTCOMES_MAX);
        let asked = Arc::new(AtomicBool::new(false));
        let state_dir = trying.state_dir().cloned();
        let dir = std::path::absolute(dir)?;
        let seen = plan.digest.clone();
        let watcher = Watcher {
            dir,
            trying,
            watch: None,
            pings: pings.clone(),
            asked: asked.clone(),
            seen,
            broken: false,
            plan,
            modules,
            tell,
        };
        std::thread::Builder::new().name("rules".to_owned()).spawn(move || watcher.run(&pinged))?;
        Ok(Reloader { pings, asked, outcomes, state_dir })
    }

    /// Asks for a look, and for its outcome whatever it is.
    fn look(&self) {
        // Beside the pings, of which one that waits already may be a mere event.
        self.asked.store(true, Ordering::Release);
        match self.pings.try_send(()) {
            Ok(()) | Err(TrySendError::Full(()) | TrySendError::Disconnected(())) => {}
        }
    }

    /// The guard ends because somebody asked it to, whatever is being tried.
    pub(super) fn ends_well(&self) {
        self.state_dir.as_deref().inspect(|state_dir| tried::unmark(state_dir));
    }

    async fn outcome(&mut self) -> Option<Outcome> {
        self.outcomes.recv().await
    }
}

/// [`Reloader::look`], if a folder is looked after.
pub(super) fn look(reloader: Option<&Reloader>) {
    match reloader {
        Some(reloader) => reloader.look(),
        None => tracing::warn!("there is no rules folder to read again"),
    }
}

/// Never, where no folder is looked after.
pub(super) async fn next_outcome(reloader: &mut Option<Reloader>) -> Option<Outcome> {
    match reloader {
        Some(reloader) => reloader.outcome().await,
        None => std::future::pending().await,
    }
}

struct Watcher {
    dir: PathBuf,
    trying: Trying,
    /// And the inode of the folder that it watches.
    watch: Option<(RecommendedWatcher, u64)>,
    pings: SyncSender<()>,
    /// Somebody wants to know what comes of the next look.
    asked: Arc<AtomicBool>,
    /// The digest of what was looked at last.
    seen: String,
    /// What was looked at last could not be used.
    broken: bool,
    /// In force.
    plan: SharedPlan,
    modules: Arc<Modules>,
    tell: mpsc::Sender<Outcome>,
}

impl Watcher {
    fn run(mut self, pinged: &Receiver<()>) {
        let mut touched = Touched::of(&self.dir);
        let mut looks = 0_u32;
        self.trying.start(&self.plan.digest);
        // Something may have changed since the rules in force were read.
        if let Some(outcome) = self.look(false)
            && self.tell.blocking_send(outcome).is_err()
        {
            return;
        }
        while !self.tell.is_closed() {
            self.arm();
            match pinged.recv_timeout(LOOK_EVERY) {
                Ok(()) => settle(pinged),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            self.trying.turn();
            let asked = self.asked.swap(false, Ordering::AcqRel);
            looks = looks.wrapping_add(1);
            let now = Touched::of(&self.dir);
            if !asked && now == touched && !looks.is_multiple_of(LOOKS_TO_READ_ALL) {
                continue;
            }
            touched = now;
            if let Some(outcome) = self.look(asked)
                && self.tell.blocking_send(outcome).is_err()
            {
                return;
            }
        }
    }

    /// Watches the folder itself: a watched file goes deaf when it is replaced, as editors do.
    fn arm(&mut self) {
        let inode = fs::metadata(&self.dir).map(|metadata| metadata.ino()).ok();
        if self.watch.as_ref().map(|(_, of)| *of) == inode {
            return;
        }
        self.watch = inode.and_then(|inode| {
            let pings = self.pings.clone();
            let on_event = move |_: notify::Result<notify::Event>| {
                // One that waits already will do.
                let _ = pings.try_send(());
            };
            let mut watcher = notify::recommended_watcher(on_event).ok()?;
            // Without it the look every second has to do.
            watcher.watch(&self.dir, RecursiveMode::Recursive).ok()?;
            Some((watcher, inode))
        });
    }

    fn look(&mut self, asked: bool) -> Option<Outcome> {
        let folder = rules::load(&self.dir);
        if folder.digest == self.plan.digest {
            self.trying.in_force(&folder);
        }
        // Whoever asks after broken rules is told once more what is wrong with them.
        if folder.digest == self.seen && !(asked && self.broken) {
            return asked.then_some(Outcome::Unchanged);
        }
        self.seen.clone_from(&folder.digest);
        if folder.digest == self.plan.digest && folder.problems.is_empty() {
            let was_broken = std::mem::replace(&mut self.broken, false);
            return (was_broken || asked).then_some(Outcome::Unchanged);
        }
        if self.trying.holds_back(&folder, asked) {
            let why = vec![tried::held_back(&folder)];
            return Some(self.kept_old(KeptOld::HeldBack, why));
        }
        self.trying.begin(&folder);
        let outcome = self.try_out(&folder);
        if matches!(outcome, Outcome::KeptOld { .. }) {
            self.trying.refused();
        }
        Some(outcome)
    }

    fn try_out(&mut self, folder: &Folder) -> Outcome {
        // Every file is loaded anew; what is compiled already comes from the cache.
        let modules = Arc::new(self.modules.anew());
        let around = Surroundings { detectors: &*modules, secrets: &SystemSecrets::SERVICE };
        let compiled = match rules::compile(folder, &around) {
            Ok(compiled) => compiled,
            Err(problems) => {
                let errors = problems.iter().filter(|problem| problem.is_error());
                return self.kept_old(KeptOld::Mistake, errors.map(rules::Problem::told).collect());
            }
        };
        let plan = match compiled.plan.at_site(self.plan.shop.site.as_ref()) {
            Ok(plan) => plan,
            Err(why) => return self.kept_old(KeptOld::Mistake, vec![why.to_string()]),
        };
        let fixed = needs_restart(&self.plan, &plan);
        if !fixed.is_empty() {
            return self.kept_old(KeptOld::Mistake, fixed);
        }
        self.broken = false;
        let replaced = replaced(&plan, &self.modules, &modules);
        self.plan = Arc::new(plan);
        self.modules = modules;
        self.trying.in_force(folder);
        let warnings = compiled.warnings.iter().map(rules::Problem::told).collect();
        let (plan, modules) = (self.plan.clone(), self.modules.clone());
        Outcome::Applied(Box::new(Applied { plan, modules, replaced, warnings }))
    }

    fn kept_old(&mut self, why: KeptOld, problems: Vec<String>) -> Outcome {
        self.broken = true;
        Outcome::KeptOld { why, problems }
    }
}

/// Waits until no more pings come.
fn settle(pinged: &Receiver<()>) {
    let begun = Instant::now();
    while begun.elapsed() < QUIET_WAIT_MAX {
        if pinged.recv_timeout(QUIET).is_err() {
            break;
        }
    }
}

/// What a connection rests on cannot change under it.
fn needs_restart(old: &Plan, new: &Plan) -> Vec<String> {
    let changes = [
        ("[broker] in shop.toml", old.shop.broker != new.shop.broker),
        ("[stand_by] in shop.toml", old.shop.hand_over != new.shop.hand_over),
        ("prefix in shop.toml", old.shop.prefix != new.shop.prefix),
        ("state_dir in shop.toml", old.shop.state_dir != new.shop.state_dir),
    ];
    let changed = changes.into_iter().filter(|(_, changed)| *changed);
    changed
        .map(|(what, _)| {
            format!("{what} has changed. These rules take effect only after a restart of Idlegate")
        })
        .collect()
}

fn replaced(plan: &Plan, old: &Modules, new: &Modules) -> BTreeSet<ModuleSource> {
    let sources = plan.machines.iter().flat_map(|machine| &machine.detectors).map(|uses| &uses.module);
    let files: BTreeSet<&ModuleSource> =
        sources.filter(|source| matches!(source, ModuleSource::File { .. })).collect();
    let content = |modules: &Modules, source: &ModuleSource| modules.loaded(source);
    files.into_iter().filter(|source| content(old, source) != content(new, source)).cloned().collect()
}

/// What can be seen of the files without reading them: enough to notice nearly every change, cheap enough for every
/// second. Links are followed, since what they lead to counts.
#[derive(PartialEq, Eq)]
struct Touched(Vec<(PathBuf, u64, u64, i64, i64)>);

impl Touched {
    fn of(dir: &Path) -> Touched {
        let mut found = Vec::new();
        let mut folders = vec![dir.to_path_buf()];
        while let Some(folder) = folders.pop() {
            let Ok(entries) = fs::read_dir(&folder) else { continue };
            for path in entries.filter_map(|entry| Some(entry.ok()?.path())) {
                let Ok(metadata) = fs::metadata(&path) else { continue };
                // No deeper than rules folders are.
                if metadata.is_dir() && folder == dir {
                    folders.push(path);
                } else if found.len() < TOUCHES_MAX {
                    found.push((
                        path,
                        metadata.ino(),
                        metadata.len(),
                        metadata.mtime(),
                        metadata.mtime_nsec(),
                    ));
                }
            }
        }
        found.sort_unstable();
        Touched(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::first_rules::Provenance;
    use idlegate_detectors::Execution;

    const EXAMPLE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/workshop");

    #[tokio::test]
    async fn a_look_that_is_asked_for_behind_an_event_has_an_outcome() {
        let dir = Path::new(EXAMPLE);
        let modules = Arc::new(Modules::new(Execution::Automatic, None).unwrap());
        let around = Surroundings { detectors: &*modules, secrets: &SystemSecrets::SERVICE };
        let plan = Arc::new(rules::compile(&rules::load(dir), &around).unwrap().plan);
        let mut reloader =
            Reloader::start(dir, Trying::new(None, Provenance::default()), plan, modules).unwrap();
        // Full is as good: then the file system has put an event there itself.
        let _ = reloader.pings.try_send(());
        reloader.look();
        let outcome = tokio::time::timeout(Duration::from_secs(60), reloader.outcome()).await;
        assert!(matches!(outcome, Ok(Some(Outcome::Unchanged))), "{outcome:?}");
    }

    /// What a look finds goes to the broker, where it is kept, and into the journal.
    #[tokio::test]
    async fn no_slip_beside_a_password_sends_the_password_anywhere() {
        let modules = Arc::new(Modules::new(Execution::Automatic, None).unwrap());
        let around = Surroundings { detectors: &*modules, secrets: &SystemSecrets::SERVICE };
        let plan = Arc::new(rules::compile(&rules::load(Path::new(EXAMPLE)), &around).unwrap().plan);
        let dir = tempfile::tempdir().unwrap();
        for slip in [
            "pasword = \"canary\"",
            "password = \"canary\"",
            "password = { value = \"canary\" }",
            "user = [\"canary\"]",
            "login = \"canary",
            "password canary",
            "host = \"canary/ canary\"",
        ] {
            fs::write(dir.path().join("shop.toml"), format!("title = \"Shop\"\n[broker]\n{slip}\n")).unwrap();
            let mut reloader = Reloader::start(
                dir.path(),
                Trying::new(None, Provenance::default()),
                plan.clone(),
                modules.clone(),
            )
            .unwrap();
            let outcome =
                tokio::time::timeout(Duration::from_secs(60), reloader.outcome()).await.unwrap().unwrap();
            let Outcome::KeptOld { why: KeptOld::Mistake, problems } = outcome else {
                panic!("{slip}: {outcome:?}")
            };
            assert!(problems.iter().any(|problem| problem.starts_with("shop.toml:3:")), "{problems:?}");
            assert!(!format!("{problems:?}").contains("canary"), "{slip}: {problems:?}");
        }
    }
}
