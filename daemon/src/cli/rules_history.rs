//! `idlegate rules`.

use std::path::{Path, PathBuf};

use clap::Subcommand;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::json;

use super::exit_code::Exit;
use super::output::{self, print_error, print_line, print_text};
use super::state_folder;
use idlegate_guard::time::WallTime;
use idlegate_os::Clock;
use idlegate_plan::text::{counted, rfc3339};
use idlegate_rules::history::{
    KeptRules, Restoration, RestoreError, RulesRestored, changes, find, kept_rules, shortened,
};
use idlegate_rules::{Folder, without_secrets};

/// So many changes of one folder are shown in a list.
const CHANGES_MAX: usize = 8;

/// Look at the rules that were in force earlier, and go back to them.
#[derive(Debug, clap::Args)]
pub(super) struct RulesArgs {
    #[command(subcommand)]
    task: RulesTask,
}

#[derive(Debug, Subcommand)]
enum RulesTask {
    Log(LogArgs),
    Show(ShowArgs),
    Restore(RestoreArgs),
}

/// Show every change of the rules that Idlegate has accepted, the newest first. It keeps the last hundred.
#[derive(Debug, clap::Args)]
struct LogArgs {
    #[command(flatten)]
    place: Place,
    /// Print one JSON object per line.
    #[arg(long)]
    json: bool,
}

/// Show earlier rules: their files and everything that they changed, or the text of one file. Secrets are left out.
#[derive(Debug, clap::Args)]
struct ShowArgs {
    /// The first characters of their digest, as `idlegate rules log` shows them.
    digest: String,
    /// One of their files, such as machines/mill.toml.
    file: Option<String>,
    #[command(flatten)]
    place: Place,
}

/// Write earlier rules back into the rules folder. A guard that is running takes them like any other change: within a
/// second, and only if they are good. What stands in the folder is in the history and can be restored in the same way.
#[derive(Debug, clap::Args)]
struct RestoreArgs {
    /// The first characters of their digest, as `idlegate rules log` shows them.
    digest: String,
    /// The rules folder. Files in it that are no rules are left alone.
    rules: PathBuf,
    /// The state folder, which holds the history. Default: the one that the rules name, or the one beside them.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    state_dir: Option<PathBuf>,
    /// Also replace changes that were never in force. They are put into the history first.
    #[arg(long)]
    replace_changes: bool,
}

/// Where the history is.
#[derive(Debug, clap::Args)]
struct Place {
    /// The state folder, which holds the history.
    #[arg(long, value_name = "DIR", env = "STATE_DIRECTORY")]
    state_dir: Option<PathBuf>,
    /// The rules folder, which says where the state folder is.
    #[arg(long, value_name = "DIR")]
    rules: Option<PathBuf>,
}

impl RulesArgs {
    pub(super) fn run(&self) -> anyhow::Result<Exit> {
        match &self.task {
            RulesTask::Log(args) => args.run(),
            RulesTask::Show(args) => args.run(),
            RulesTask::Restore(args) => args.run(),
        }
    }
}

/// The state folder and what is kept there, oldest first.
fn open(state_dir: Option<&Path>, rules: Option<&Path>) -> Result<(PathBuf, Vec<KeptRules>), Exit> {
    let by_rules = || rules.and_then(state_folder::by_rules);
    let Some(state_dir) = state_dir.map(Path::to_owned).or_else(by_rules) else {
        print_error!("idlegate: where is the history of the rules? Give --state-dir DIR");
        return Err(Exit::Usage);
    };
    match kept_rules(&state_dir) {
        Ok(kept) if kept.is_empty() => {
            print_error!(
                "idlegate: no rules are kept in {}. Is this the state folder that Idlegate runs with (--state-dir, or \
                 state_dir in shop.toml), and has it run yet?",
                state_dir.display()
            );
            Err(Exit::No)
        }
        Ok(kept) => Ok((state_dir, kept)),
        Err(error) => {
            print_error!("idlegate: the history of the rules in {}: {error}", state_dir.display());
            Err(Exit::No)
        }
    }
}

/// The one that is meant, or what is wrong with the digest.
fn wanted<'a>(kept: &'a [KeptRules], digest: &str) -> Result<&'a KeptRules, Exit> {
    find(kept, digest).map_err(|fault| {
        print_error!("idlegate: {fault}");
        Exit::Usage
    })
}

impl LogArgs {
    fn run(&self) -> anyhow::Result<Exit> {
        let (_, kept) = match open(self.place.state_dir.as_deref(), self.place.rules.as_deref()) {
            Ok(opened) => opened,
            Err(exit) => return Ok(exit),
        };
        for (place, rules) in kept.iter().enumerate().rev() {
            let told = Told::of(&kept, place);
            if self.json {
                output::json(&told.as_json(rules));
            } else {
                let standing = told.standing.map_or_else(String::new, |standing| format!("  {standing}"));
                print_line!("{}  {}{standing}", shortened(&kept, &rules.digest), local(rules.at));
                told.changes.iter().take(CHANGES_MAX).for_each(|change| print_line!("  {change}"));
                if let Some(more) = told.changes.len().checked_sub(CHANGES_MAX).filter(|more| *more > 0) {
                    let digest = shortened(&kept, &rules.digest);
                    print_line!("  and {}: idlegate rules show {digest}", counted(more, "more change"));
                }
            }
        }
        Ok(Exit::Good)
    }
}

/// What there is to say of one of them.
struct Told {
    standing: Option<&'static str>,
    latest_in_force: bool,
    /// Nothing if it is damaged.
    folder: Option<Folder>,
    changes: Vec<String>,
}

impl Told {
    fn of(kept: &[KeptRules], place: usize) -> Told {
        let rules = &kept[place];
        let accepted = |kept: &&KeptRules| !kept.set_aside;
        let latest_in_force = accepted(&rules) && !kept[place + 1..].iter().any(|later| accepted(&later));
        let before = kept[..place].iter().rev().find(accepted);
        let folder = rules.read();
        let standing = match (&folder, rules.set_aside, latest_in_force) {
            (None, ..) => Some("damaged: its files are no longer what they were"),
            (Some(_), true, _) => Some("never in force; set aside when other rules were restored"),
            (Some(_), false, true) => Some("the latest in force"),
            (Some(_), false, false) => None,
        };
        let changes = match (&folder, before.map(|before| before.read())) {
            (None, _) => Vec::new(),
            (Some(_), Some(None)) => {
                vec!["what was before it is damaged, so nothing can be compared".to_owned()]
            }
            (Some(folder), before) => changes(before.flatten().as_ref(), folder),
        };
        Told { standing, latest_in_force, folder, changes }
    }

    fn as_json(&self, rules: &KeptRules) -> serde_json::Value {
        json!({
            "digest": rules.digest,
            "at": rfc3339(rules.at),
            "accepted": !rules.set_aside,
            "latest_in_force": self.latest_in_force,
            "intact": self.folder.is_some(),
            "changes": self.changes,
            "files": self.folder.as_ref().map(files),
        })
    }
}

fn files(folder: &Folder) -> Vec<&str> {
    let files = folder.files.iter().map(|file| file.path.as_str());
    files.chain(folder.modules.iter().map(|module| module.path.as_str())).collect()
}

impl ShowArgs {
    fn run(&self) -> anyhow::Result<Exit> {
        let (_, kept) = match open(self.place.state_dir.as_deref(), self.place.rules.as_deref()) {
            Ok(opened) => opened,
            Err(exit) => return Ok(exit),
        };
        let rules = match wanted(&kept, &self.digest) {
            Ok(rules) => rules,
            Err(exit) => return Ok(exit),
        };
        let place = kept.iter().position(|one| one == rules).unwrap_or_default();
        let told = Told::of(&kept, place);
        let Some(folder) = &told.folder else {
            print_error!("idlegate: what is kept of these rules has been changed or damaged");
            return Ok(Exit::No);
        };
        match &self.file {
            Some(path) => Ok(show_file(folder, path)),
            None => {
                let standing = told.standing.map_or_else(String::new, |standing| format!(", {standing}"));
                print_line!("{}\nof {}{standing}", rules.digest, local(rules.at));
                told.changes.iter().for_each(|change| print_line!("  {change}"));
                print_line!("files:");
                files(folder).iter().for_each(|path| print_line!("  {path}"));
                Ok(Exit::Good)
            }
        }
    }
}

fn show_file(folder: &Folder, path: &str) -> Exit {
    if let Some(file) = folder.files.iter().find(|file| file.path == path) {
        print_text!("{}", without_secrets(&file.text));
        return Exit::Good;
    }
    if folder.modules.iter().any(|module| module.path == path) {
        print_error!("idlegate: {path} is a detector: `idlegate rules restore` writes it back");
    } else {
        print_error!("idlegate: those rules have no file {path:?}; they have {}", files(folder).join(", "));
    }
    Exit::Usage
}

impl RestoreArgs {
    fn run(&self) -> anyhow::Result<Exit> {
        let (state_dir, kept) = match open(self.state_dir.as_deref(), Some(&self.rules)) {
            Ok(opened) => opened,
            Err(exit) => return Ok(exit),
        };
        let rules = match wanted(&kept, &self.digest) {
            Ok(rules) => rules,
            Err(exit) => return Ok(exit),
        };
        let restoration = Restoration {
            state_dir: &state_dir,
            wanted: rules,
            dir: &self.rules,
            at: Clock.now().wall,
            replace_changes: self.replace_changes,
        };
        match restoration.restore() {
            Ok(restored) => {
                self.tell(&kept, rules, &restored);
                Ok(Exit::Good)
            }
            Err(fault) => {
                print_error!("idlegate: {}: {fault}", self.rules.display());
                if let RestoreError::NeverInForce(changes) = &fault {
                    changes.iter().take(CHANGES_MAX).for_each(|change| print_error!("  {change}"));
                    print_error!(
                        "Nothing was written. With --replace-changes they are replaced all the same; they are put into \
                         the history first, so that you can restore them, too."
                    );
                }
                Ok(Exit::No)
            }
        }
    }

    fn tell(&self, kept: &[KeptRules], rules: &KeptRules, restored: &RulesRestored) {
        let RulesRestored { written, removed, set_aside } = restored;
        if written.is_empty() && removed.is_empty() {
            print_line!("{} holds these rules already", self.rules.display());
            return;
        }
        written.iter().for_each(|path| print_line!("written: {path}"));
        removed.iter().for_each(|path| print_line!("removed: {path}"));
        print_line!("{} holds the rules of {} again.", self.rules.display(), local(rules.at));
        if let Some(digest) = set_aside {
            print_line!("What stood there is kept as {}.", shortened(kept, digest));
        }
        print_line!("If Idlegate is running, it goes by them within a second, or its log says why not.");
    }
}

fn local(at: WallTime) -> String {
    Timestamp::from_millisecond(at.0).map_or_else(
        |_| rfc3339(at),
        |instant| TimeZone::system().to_datetime(instant).strftime("%Y-%m-%d %H:%M:%S").to_string(),
    )
}
