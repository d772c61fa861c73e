//! `idlegate run`.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::signal::unix::{SignalKind, signal};

use super::exit_code::Exit;
use super::{logging, rules};
use crate::detectors::{CodeCache, Execution};
use crate::event::Name;
use crate::rules::SystemSecrets;
use crate::service::{self, Modules, Options};

#[derive(Debug)]
pub(super) struct Wanted {
    pub(super) rules: PathBuf,
    pub(super) state_dir: Option<PathBuf>,
    pub(super) execution: Execution,
    pub(super) site: Option<Name>,
    pub(super) stand_by: Option<Name>,
    pub(super) json: bool,
}

pub(super) fn run(wanted: Wanted) -> anyhow::Result<Exit> {
    let Wanted { rules: dir, state_dir: state, execution, site, stand_by, json } = wanted;
    let site = site.as_ref();
    let log = logging::start("info", json);
    // The rules may name the state folder, so the code cache in it can only be used if the caller named it first.
    let cache = state.as_deref().and_then(cache_in);
    let modules = Arc::new(Modules::new(execution, cache)?);
    let plan = match rules::compile(&dir, site, &modules, &SystemSecrets::SERVICE) {
        Ok(plan) => plan,
        Err(exit) => match state.as_deref().and_then(|state| rules::last_good(state, site, &modules)) {
            Some(plan) => plan,
            None => return Ok(exit),
        },
    };
    let state_dir = state.or_else(|| plan.shop.state_dir.clone());
    if let Some(state_dir) = &state_dir {
        std::fs::create_dir_all(state_dir).unwrap_or_else(
            |error| tracing::error!(%error, dir = %state_dir.display(), "the state folder cannot be used"),
        );
    }
    // One thread for the link and the loop: what arrives need not wake another to be judged. All they do is short, and what may
    // wait (detectors, the journal, log lines, looking at rules) is on threads of its own.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        let shutdown = async move {
            tokio::select! { _ = terminate.recv() => {}, _ = interrupt.recv() => {} }
        };
        let mut options = Options::new(plan, modules);
        options.state_dir = state_dir;
        options.rules_dir = Some(dir);
        options.lost_lines = Some(log.lost.clone());
        match stand_by {
            None => service::run(options, shutdown).await,
            Some(name) => service::run_one_of_several(name, options, shutdown).await,
        }
    })?;
    Ok(Exit::Good)
}

fn cache_in(state: &Path) -> Option<CodeCache> {
    let dir = state.join("compiled");
    let opened = std::fs::create_dir_all(state).map_err(anyhow::Error::from);
    match opened.and_then(|()| Ok(CodeCache::open(&dir)?)) {
        Ok(cache) => Some(cache),
        Err(error) => {
            tracing::warn!(
                "compiled detectors cannot be kept, so every start compiles them again: {error:#}"
            );
            None
        }
    }
}
