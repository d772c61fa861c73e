//! `idlegate run`.

use std::path::{Path, PathBuf};

use clap::ValueEnum;
use tokio::signal::unix::{SignalKind, signal};

use super::exit_code::Exit;
use super::logging;
use super::output::print_error;
use super::state_folder;
use idlegate_detectors::{CodeCache, Execution, Modules};
use idlegate_plan::Plan;
use idlegate_plan::event::Name;
use idlegate_plan::text::tame;
use idlegate_rules::tried;
use idlegate_service::{self as service, FirstRules, Options, StateFolder};

/// Guard the machines in a rules folder until stopped.
#[derive(Debug, clap::Args)]
pub(super) struct RunArgs {
    /// The rules folder.
    rules: PathBuf,
    /// Where to keep the journal and the lockouts. Overrides the rules.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    state_dir: Option<PathBuf>,
    /// How to execute detectors.
    #[arg(long, value_enum, default_value_t)]
    execution: ExecutionArg,
    /// Guard only the machines of this site, one of the sites in shop.toml.
    #[arg(long, value_name = "NAME")]
    site: Option<Name>,
    /// Be one of several daemons at the same broker: one guards, the others stand by. Give each its own name and
    /// state folder, and all the same rules.
    #[arg(long, value_name = "NAME")]
    stand_by: Option<Name>,
    /// Write the log as JSON.
    #[arg(long)]
    json: bool,
}

impl RunArgs {
    pub(super) fn run(self) -> anyhow::Result<Exit> {
        let RunArgs { rules: dir, state_dir: state, execution, site, stand_by, json } = self;
        let site = site.as_ref();
        let log = logging::start("info", json);
        let state = state.or_else(|| state_folder::by_rules(&dir));
        let claim = |dir: Option<&Path>| {
            dir.map(StateFolder::claim).transpose().inspect_err(|why| print_error!("idlegate: {why}"))
        };
        // Before anything is noted in it.
        let Ok(held) = claim(state.as_deref()) else { return Ok(Exit::Rules) };
        // The rules may name the state folder, so the code cache in it can only be used if the caller named it first.
        let cache = state.as_deref().and_then(cache_in);
        let modules = Modules::new(execution.into(), cache)?;
        let mut tell = |line: &str| print_error!("{line}");
        let first = service::first_rules(&dir, state.as_deref(), site, &modules, &mut tell);
        let Some(FirstRules { plan, modules, provenance }) = first else { return Ok(Exit::Rules) };
        let state_dir = state.or_else(|| plan.shop.state_dir.clone());
        let unclaimed = state_dir.as_deref().filter(|_| held.is_none());
        let Ok(_held) = claim(unclaimed) else { return Ok(Exit::Rules) };
        tell(&guarded(&plan));
        if let Some(state_dir) = &state_dir {
            tell(&format!("The journal and the lockouts are kept in {}.", state_dir.display()));
        }
        // One thread for the link and the loop: what arrives need not wake another to be judged. All they do is short,
        // and what may wait (detectors, the journal, log lines, looking at rules) is on threads of its own.
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(async {
            let mut terminate = signal(SignalKind::terminate())?;
            let mut interrupt = signal(SignalKind::interrupt())?;
            let shutdown = Box::pin(async move {
                tokio::select! { _ = terminate.recv() => {}, _ = interrupt.recv() => {} }
            });
            let mut options = Options::new(plan, modules);
            options.state_dir = state_dir;
            options.rules_dir = Some(dir);
            options.provenance = provenance;
            options.lost_lines = Some(log.lost.clone());
            match stand_by {
                None => service::run(options, shutdown).await,
                Some(name) => {
                    // It may stand by for months, and come to no harm by rules that it does not guard by.
                    options.state_dir.as_deref().inspect(|state_dir| tried::unmark(state_dir));
                    service::run_one_of_several(name, options, shutdown).await
                }
            }
        })?;
        Ok(Exit::Good)
    }
}

#[derive(Clone, Copy, Debug, Default, ValueEnum)]
pub(super) enum ExecutionArg {
    /// Native code where the system permits it, otherwise interpreted.
    #[default]
    Automatic,
    Native,
    Interpreted,
}

impl From<ExecutionArg> for Execution {
    fn from(arg: ExecutionArg) -> Self {
        match arg {
            ExecutionArg::Automatic => Self::Automatic,
            ExecutionArg::Native => Self::Native,
            ExecutionArg::Interpreted => Self::Interpreted,
        }
    }
}

/// What a person wants to see first: is it my machines, and does it switch?
fn guarded(plan: &Plan) -> String {
    let titles = |shadow: bool| {
        let machines = plan.machines.iter().filter(|machine| machine.policy.shadow == shadow);
        machines.map(|machine| tame(&machine.title, 60)).collect::<Vec<_>>().join(", ")
    };
    let (live, shadow) = (titles(false), titles(true));
    let watched = if shadow.is_empty() {
        String::new()
    } else {
        format!(" Watching only, in shadow mode, where nothing is switched: {shadow}.")
    };
    match (live.is_empty(), shadow.is_empty()) {
        (true, true) => "There is no machine in these rules yet: `idlegate commission` adds one.".to_owned(),
        (true, false) => watched.trim_start().to_owned(),
        (false, _) => format!("Guarding {live}.{watched}"),
    }
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
