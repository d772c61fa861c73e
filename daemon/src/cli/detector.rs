//! `idlegate detector`.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::args::DetectorTask;
use super::exit_code::Exit;
use super::{pictures, replay};
use crate::detectors::Execution;
use crate::guard::PermissiveState;
use crate::kit::{self, Candidate, Look, NewCrateError, Trial, Wanted};
use crate::service::Modules;
use crate::text::rfc3339;

pub(super) fn detector(task: DetectorTask) -> anyhow::Result<Exit> {
    match task {
        DetectorTask::New { name, dir } => new(&dir, &name),
        DetectorTask::Inspect { file, json } => inspect(&file, json),
        DetectorTask::Try { detector, settings, recordings, signals, svg, json } => {
            if recordings.is_empty() && signals.is_empty() {
                eprintln!(
                    "idlegate: there is no recording to try it on; give --recording FILE or --signal NAME=FILE"
                );
                return Ok(Exit::Usage);
            }
            let signals: Vec<_> = signals.into_iter().map(|signal| (signal.name, signal.file)).collect();
            let settings = replay::settings(&settings)?;
            let candidate = Candidate::from(detector.as_path());
            let wanted = Wanted {
                candidate: &candidate,
                settings: &settings,
                recordings: &recordings,
                signals: &signals,
            };
            try_out(&wanted, svg.as_ref(), json)
        }
    }
}

fn new(dir: &Path, name: &str) -> anyhow::Result<Exit> {
    match kit::write(dir, name) {
        Ok(files) => {
            for file in files {
                println!("{}", file.display());
            }
            let sdk = dir.join(name).join("sdk");
            println!("{} (the SDK that belongs to this version of Idlegate)", sdk.display());
            println!("next: cd {} && cargo test   (see README.md there)", dir.join(name).display());
            Ok(Exit::Good)
        }
        Err(error @ (NewCrateError::Name(_) | NewCrateError::NotACrate { .. })) => {
            eprintln!("idlegate: {error}");
            Ok(Exit::Usage)
        }
        Err(error @ (NewCrateError::NotEmpty(_) | NewCrateError::Io { .. })) => {
            eprintln!("idlegate: {error}");
            Ok(Exit::No)
        }
    }
}

fn inspect(file: &Path, json: bool) -> anyhow::Result<Exit> {
    let look = Look::at(file)?;
    if json {
        println!("{}", look.to_json());
    } else {
        print!("{}", look.words());
    }
    Ok(if look.is_taken() { Exit::Good } else { Exit::No })
}

fn try_out(wanted: &Wanted<'_>, svg: Option<&PathBuf>, json: bool) -> anyhow::Result<Exit> {
    let modules = Modules::new(Execution::Automatic, None)?;
    let trial = match Trial::run(wanted, &modules) {
        Ok(trial) => trial,
        Err(error) => {
            eprintln!("idlegate: {:#}", anyhow::Error::from(error));
            return Ok(Exit::No);
        }
    };
    for change in &trial.changes {
        let (at, state, reason) = (rfc3339(change.at), replay::word(change.state), &change.reason);
        if json {
            println!("{}", json!({ "at": at, "state": state, "reason": reason }));
        } else {
            println!("{at}  {state:<9}{reason}");
        }
    }
    let drawn = trial.pictures();
    let [busy, idle, unknown] = [PermissiveState::Busy, PermissiveState::Clear, PermissiveState::Unknown]
        .map(|state| trial.sum(state));
    if json {
        println!(
            "{}",
            json!({
                "detector": trial.description.name.as_str(), "readings": trial.ended.readings,
                "busy_seconds": busy.as_secs_f64(), "idle_seconds": idle.as_secs_f64(), "unknown_seconds": unknown.as_secs_f64(),
                "failed": trial.troubles.to_json().next(),
            })
        );
    } else {
        println!(
            "{} readings: busy for {busy}, idle for {idle}, unknown for {unknown}",
            trial.ended.readings
        );
        pictures::show(&drawn);
        for trouble in trial.troubles.sentences() {
            println!("{trouble}");
        }
    }
    if let Some(path) = svg {
        pictures::draw(path, &drawn)?;
    }
    Ok(if trial.troubles.is_empty() { Exit::Good } else { Exit::No })
}
