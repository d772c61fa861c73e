//! Where the journal is, for commands that read it.

use std::path::{Path, PathBuf};

use super::exit_code::Exit;
use super::output::print_error;
use super::rules;
use super::times::Time;
use idlegate_journal::JournalReader;
use idlegate_plan::event::Name;
use idlegate_service::JOURNAL_FILE;

/// Which part of which journal.
#[derive(Debug, clap::Args)]
pub(super) struct Excerpt {
    /// The rules folder: it says where the journal is, and for a report the tariff and the shop's name.
    #[arg(long, value_name = "DIR")]
    pub(super) rules: Option<PathBuf>,
    /// The state folder, where the journal is.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    pub(super) state_dir: Option<PathBuf>,
    /// From this day or time on, by the local clock: 2026-11-25, "2026-11-25 14:00", yesterday, last-week, last-month,
    /// or 7d for seven days ago.
    #[arg(long, value_name = "TIME")]
    pub(super) from: Option<Time>,
    /// Up to, but not including, this day or time.
    #[arg(long, value_name = "TIME")]
    pub(super) to: Option<Time>,
    /// Only this machine.
    #[arg(long, value_name = "MACHINE")]
    pub(super) machine: Option<Name>,
}

/// From the state folder given, else from the one in the rules. The guard may be running meanwhile.
pub(super) fn open(
    rules: Option<&Path>,
    state_dir: Option<&Path>,
) -> anyhow::Result<Result<JournalReader, Exit>> {
    Ok(match state_folder(rules, state_dir)? {
        Ok(dir) => open_in(&dir),
        Err(exit) => Err(exit),
    })
}

/// The one given, else the one in the rules.
pub(super) fn state_folder(
    rules: Option<&Path>,
    state_dir: Option<&Path>,
) -> anyhow::Result<Result<PathBuf, Exit>> {
    match (state_dir, rules) {
        (Some(dir), _) => Ok(Ok(dir.to_path_buf())),
        (None, Some(rules)) => {
            let plan = match rules::for_visitor(rules, None)? {
                Ok(plan) => plan,
                Err(exit) => return Ok(Err(exit)),
            };
            Ok(plan.shop.state_dir.ok_or_else(|| {
                print_error!(
                    "idlegate: the rules have no state_dir; use --state-dir to say where the journal is"
                );
                Exit::Usage
            }))
        }
        (None, None) => {
            print_error!("idlegate: where is the journal? Give --state-dir DIR or --rules DIR");
            Ok(Err(Exit::Usage))
        }
    }
}

pub(super) fn open_in(dir: &Path) -> Result<JournalReader, Exit> {
    let file = dir.join(JOURNAL_FILE);
    if !file.exists() {
        print_error!(
            "idlegate: there is no journal in {}. Is this the state folder that Idlegate runs with (--state-dir, or state_dir in \
             shop.toml), and has it run yet?",
            dir.display()
        );
        return Err(Exit::No);
    }
    JournalReader::open(&file).map_err(|error| {
        print_error!("idlegate: {}: {error}", file.display());
        Exit::No
    })
}
