//! `idlegate detector`.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::Subcommand;
use serde_json::json;

use super::exit_code::Exit;
use super::output::{self, print_error, print_line, print_text};
use super::pictures;
use super::replay::{self, NamedFile};
use idlegate_detectors::{CodeCache, Execution, Modules};
use idlegate_guard::PermissiveState;
use idlegate_plan::text::rfc3339;
use idlegate_setup::detector_kit::{self, Candidate, Expectation, Look, NewCrateError, Trial, Wanted};

/// Start a detector of your own, inspect one, or try one on a recording.
#[derive(Debug, clap::Args)]
pub(super) struct DetectorArgs {
    #[command(subcommand)]
    task: DetectorTask,
}

#[derive(Debug, Subcommand)]
enum DetectorTask {
    New(NewDetectorArgs),
    Build(BuildDetectorArgs),
    Inspect(InspectDetectorArgs),
    Try(TryDetectorArgs),
}

/// Write a crate to start from: it builds, its tests pass, and you can try it at once.
#[derive(Debug, clap::Args)]
pub(super) struct NewDetectorArgs {
    /// The detector's name, such as laser-tube. The crate goes into a folder of that name.
    name: String,
    /// Where to put the folder.
    #[arg(long, value_name = "DIR", default_value = ".")]
    dir: PathBuf,
}

/// Build a detector's crate for the sandbox: by your own Rust if it has the target wasm32-unknown-unknown, otherwise by
/// Debian's compiler, which is fetched into a folder of its own once. Your toolchain stays as it is.
#[derive(Debug, clap::Args)]
pub(super) struct BuildDetectorArgs {
    /// The crate's folder.
    #[arg(default_value = ".")]
    dir: PathBuf,
    /// Copy the detector's file to here as well. It is always in the crate's target folder.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Where the compiler is fetched to. Default: $IDLEGATE_WASM_TOOLCHAIN, or ~/.cache/idlegate/wasm-toolchain.
    #[arg(long, value_name = "DIR")]
    toolchain: Option<PathBuf>,
}

/// Show what a detector's file is, what it needs and asks for, and why it would be refused.
#[derive(Debug, clap::Args)]
pub(super) struct InspectDetectorArgs {
    /// A component, or a core module built for wasm32-unknown-unknown.
    file: PathBuf,
    /// Print as JSON.
    #[arg(long)]
    json: bool,
}

/// Run a detector over a recording and show what it would have said.
#[derive(Debug, clap::Args)]
pub(super) struct TryDetectorArgs {
    /// The detector's file, or the name of a built-in detector.
    #[arg(value_name = "FILE")]
    detector: PathBuf,
    /// Its settings, as JSON or TOML.
    #[arg(long, value_name = "SETTINGS", default_value = "")]
    settings: String,
    /// A recording. Its signals are matched with the detector's by name or by unit.
    #[arg(long = "recording", value_name = "FILE")]
    recordings: Vec<PathBuf>,
    /// A recording of one signal, and which signal it is.
    #[arg(long = "signal", value_name = "NAME=FILE")]
    signals: Vec<NamedFile>,
    /// What it should say: lines of a time and busy, idle, unknown, held (busy or unknown) or any, under the heading
    /// time,verdict; each holds until the next.
    #[arg(long, value_name = "FILE")]
    expect: Option<PathBuf>,
    /// Draw each signal with the verdicts into this SVG file; further signals go into numbered files beside it.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Print one JSON object per line: changes, and the totals last.
    #[arg(long)]
    json: bool,
}

impl DetectorArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        match &self.task {
            DetectorTask::New(task) => new(&task.dir, &task.name),
            DetectorTask::Build(task) => build(&task.dir, task.out.as_deref(), task.toolchain.clone()),
            DetectorTask::Inspect(task) => inspect(&task.file, task.json),
            DetectorTask::Try(task) => task.run(),
        }
    }
}

impl TryDetectorArgs {
    fn run(&self) -> anyhow::Result<Exit> {
        if self.recordings.is_empty() && self.signals.is_empty() {
            print_error!(
                "idlegate: there is no recording to try it on; give --recording FILE or --signal NAME=FILE"
            );
            return Ok(Exit::Usage);
        }
        let signals: Vec<_> =
            self.signals.iter().map(|signal| (signal.name.clone(), signal.file.clone())).collect();
        let settings = replay::settings(&self.settings)?;
        let candidate = Candidate::from(self.detector.as_path());
        let wanted = Wanted {
            candidate: &candidate,
            settings: &settings,
            recordings: &self.recordings,
            signals: &signals,
        };
        let expected = match self.expect.as_deref().map(|path| (path, Expectation::load(path))) {
            None => None,
            Some((_, Ok(expected))) => Some(expected),
            Some((path, Err(error))) => {
                print_error!("idlegate: {}: {error}", path.display());
                return Ok(Exit::Usage);
            }
        };
        try_out(&wanted, expected.as_ref(), self.svg.as_ref(), self.json)
    }
}

fn new(dir: &Path, name: &str) -> anyhow::Result<Exit> {
    match detector_kit::write(dir, name) {
        Ok(files) => {
            for file in files {
                print_line!("{}", file.display());
            }
            let sdk = dir.join(name).join("sdk");
            print_line!("{} (the SDK that belongs to this version of Idlegate)", sdk.display());
            print_line!("next: cd {} && cargo test   (see README.md there)", dir.join(name).display());
            Ok(Exit::Good)
        }
        Err(error @ (NewCrateError::Name(_) | NewCrateError::NotACrate { .. })) => {
            print_error!("idlegate: {error}");
            Ok(Exit::Usage)
        }
        Err(error @ (NewCrateError::NotEmpty(_) | NewCrateError::Io { .. })) => {
            print_error!("idlegate: {error}");
            Ok(Exit::No)
        }
    }
}

fn build(dir: &Path, out: Option<&Path>, toolchain: Option<PathBuf>) -> anyhow::Result<Exit> {
    let named = std::env::var_os("IDLEGATE_WASM_TOOLCHAIN").filter(|value| !value.is_empty());
    let ours = || caches().map(|caches| caches.join("wasm-toolchain"));
    let Some(toolchain) = toolchain.or(named.map(PathBuf::from)).or_else(ours) else {
        print_error!("idlegate: there is no home folder to keep a compiler in; give --toolchain DIR");
        return Ok(Exit::Usage);
    };
    let built = match detector_kit::build(dir, &toolchain, |what| print_error!("{what}")) {
        Ok(built) => built,
        Err(error) => {
            print_error!("idlegate: {error}");
            return Ok(Exit::No);
        }
    };
    for gap in &built.gaps {
        print_error!("warning: {gap}");
    }
    let file = match out {
        Some(out) => {
            std::fs::copy(&built.file, out).with_context(|| format!("cannot write {}", out.display()))?;
            out.to_owned()
        }
        None => built.file,
    };
    let look = Look::at(&file)?;
    if !look.is_taken() {
        print_text!("{}", look.words());
        return Ok(Exit::No);
    }
    print_line!("{}", file.display());
    Ok(Exit::Good)
}

fn inspect(file: &Path, json: bool) -> anyhow::Result<Exit> {
    let look = Look::at(file)?;
    if json {
        output::json(&look.to_json());
    } else {
        print_text!("{}", look.words());
    }
    Ok(if look.is_taken() { Exit::Good } else { Exit::No })
}

/// What is compiled is kept, so that the next trial begins at once. Without a place for it every trial compiles anew.
fn code_cache() -> Option<CodeCache> {
    CodeCache::open(&caches()?.join("compiled")).ok()
}

/// What can be had again, by the XDG Base Directory Specification.
fn caches() -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let caches = set("XDG_CACHE_HOME").filter(|dir| dir.is_absolute());
    let caches = caches.or_else(|| set("HOME").map(|home| home.join(".cache")))?;
    Some(caches.join("idlegate"))
}

fn try_out(
    wanted: &Wanted<'_>,
    expected: Option<&Expectation>,
    svg: Option<&PathBuf>,
    json: bool,
) -> anyhow::Result<Exit> {
    let modules = Modules::new(Execution::Automatic, code_cache())?;
    let trial = match Trial::run(wanted, &modules) {
        Ok(trial) => trial,
        Err(error) => {
            print_error!("idlegate: {:#}", anyhow::Error::from(error));
            return Ok(Exit::No);
        }
    };
    for change in &trial.changes {
        let (at, state, reason) = (rfc3339(change.at), replay::word(change.state), &change.reason);
        if json {
            output::json(&json!({ "at": at, "state": state, "reason": reason }));
        } else {
            print_line!("{at}  {state:<9}{reason}");
        }
    }
    let drawn = trial.pictures();
    let differences = expected.map(|expected| expected.differences(&trial.changes, trial.ended.until));
    let [busy, idle, unknown] = [PermissiveState::Busy, PermissiveState::Clear, PermissiveState::Unknown]
        .map(|state| trial.sum(state));
    if json {
        output::json(&json!({
            "detector": trial.description.name.as_str(), "readings": trial.ended.readings,
            "busy_seconds": busy.as_secs_f64(), "idle_seconds": idle.as_secs_f64(), "unknown_seconds": unknown.as_secs_f64(),
            "failed": trial.troubles.to_json().next(), "unused": trial.unused, "differences": differences,
        }));
    } else {
        print_line!(
            "{} readings: busy for {busy}, idle for {idle}, unknown for {unknown}",
            trial.ended.readings
        );
        if !trial.unused.is_empty() {
            print_line!("not used, since the detector has no such signal: {}", trial.unused.join(", "));
        }
        for trouble in trial.troubles.sentences() {
            print_line!("{trouble}");
        }
        match &differences {
            None => {}
            Some(differences) if differences.is_empty() => print_line!("as expected"),
            Some(differences) => differences.iter().for_each(|difference| print_line!("{difference}")),
        }
        pictures::show(&drawn);
    }
    if let Some(path) = svg {
        pictures::draw(path, &drawn)?;
    }
    let as_expected = differences.is_none_or(|differences| differences.is_empty());
    Ok(if trial.troubles.is_empty() && as_expected { Exit::Good } else { Exit::No })
}
