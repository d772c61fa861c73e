//! `idlegate run`.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::signal::unix::{SignalKind, signal};

use super::exit_code::Exit;
use super::{logging, rules, runtime};
use crate::detectors::{CodeCache, Execution};
use crate::rules::SystemSecrets;
use crate::service::{self, Modules, Options};

pub(super) fn run(
    dir: &Path,
    state: Option<PathBuf>,
    execution: Execution,
    json: bool,
) -> anyhow::Result<Exit> {
    logging::start("info", json);
    // The rules may name the state folder, so the code cache in it can only be used if the caller named it first.
    let cache = state.as_deref().and_then(cache_in);
    let modules = Arc::new(Modules::new(execution, cache)?);
    let plan = match rules::compile(dir, &modules, &SystemSecrets::SERVICE) {
        Ok(plan) => plan,
        Err(exit) => match state.as_deref().and_then(|state| rules::last_good(state, &modules)) {
            Some(plan) => plan,
            None => return Ok(exit),
        },
    };
    let state_dir = state.or_else(|| plan.shop.state_dir.clone());
    if let Some(state_dir) = &state_dir {
        std::fs::create_dir_all(state_dir)
            .unwrap_or_else(|error| tracing::error!(%error, dir = %state_dir.display(), "no state folder"));
    }
    runtime()?.block_on(async {
        let mut terminate = signal(SignalKind::terminate())?;
        let mut interrupt = signal(SignalKind::interrupt())?;
        let shutdown = async move {
            tokio::select! { _ = terminate.recv() => {}, _ = interrupt.recv() => {} }
        };
        let options = Options { plan, modules, state_dir, rules_dir: Some(dir.to_path_buf()) };
        // On a worker of the runtime, where the link's tasks are: what arrives then need not wake another thread.
        tokio::spawn(service::run(options, shutdown)).await?
    })?;
    Ok(Exit::Good)
}

fn cache_in(state: &Path) -> Option<CodeCache> {
    let dir = state.join("compiled");
    let opened = std::fs::create_dir_all(state).map_err(anyhow::Error::from);
    match opened.and_then(|()| Ok(CodeCache::open(&dir)?)) {
        Ok(cache) => Some(cache),
        Err(error) => {
            tracing::warn!("detectors are compiled at every start: {error:#}");
            None
        }
    }
}
