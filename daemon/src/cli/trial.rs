//! `idlegate trial`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use anyhow::Context as _;
use jiff::tz::TimeZone;

use super::exit_code::Exit;
use super::output::{self, print_error, print_text};
use super::{journal, rules};
use idlegate_history::report::{Terms, ledger};
use idlegate_history::trial;

/// Sum up a time in shadow mode: what Idlegate would have done, what happened instead, and whether that is enough to
/// let it act.
///
/// Exits with 1 while a machine that was tried is not ready.
#[derive(Debug, clap::Args)]
pub(super) struct TrialArgs {
    /// The state folder, where the journal is.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY", required_unless_present = "rules")]
    state_dir: Option<PathBuf>,
    /// The rules folder: it says what the machines are called, and where the journal is.
    #[arg(long, value_name = "DIR")]
    rules: Option<PathBuf>,
    /// Print as JSON.
    #[arg(long, conflicts_with = "html")]
    json: bool,
    /// Write a web page, all in one file.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
}

impl TrialArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        let mut titles = BTreeMap::new();
        if let Some(dir) = &self.rules {
            let plan = match rules::in_force(dir, None)? {
                Ok(in_force) => in_force.plan,
                Err(exit) => return Ok(exit),
            };
            titles.extend(
                plan.machines.iter().map(|machine| (machine.name.to_string(), machine.title.clone())),
            );
        }
        let reader = match journal::open(self.rules.as_deref(), self.state_dir.as_deref())? {
            Ok(reader) => reader,
            Err(exit) => return Ok(exit),
        };
        let Some(period) = trial::period(&reader)? else {
            print_error!(
                "idlegate: nothing has been asked in shadow mode. Set shadow = true under [guard] in a machine's file, and go on using it \
             as before"
            );
            return Ok(Exit::No);
        };
        let terms = Terms { period, machine: None, tariff: None, titles };
        let tried = trial::trial(&ledger(&reader, &terms)?);
        let zone = TimeZone::system();
        match &self.html {
            Some(file) => std::fs::write(file, trial::html(&tried, &zone))
                .with_context(|| format!("cannot write {}", file.display()))?,
            None if self.json => output::json_over_lines(&trial::json(&tried)),
            None => print_text!("{}", trial::words(&tried, &zone)),
        }
        let is_ready = !tried.machines.is_empty() && tried.machines.iter().all(|it| it.missing().is_empty());
        Ok(if is_ready { Exit::Good } else { Exit::No })
    }
}
