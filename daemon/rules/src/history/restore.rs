//! Writing rules from the history back into a rules folder. Nothing of what stands there is lost by it, and nothing is
//! decided here: the guard judges the folder as it judges every change.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, UNIX_EPOCH};

use idlegate_guard::time::WallTime;
use idlegate_os::files::{Beside, read_bytes, remove_leftovers};

use super::super::folder::{
    Folder, INPUTS_DIR, INPUTS_FILE, MACHINES_DIR, MODULE_BYTES_MAX, MODULES_DIR, SHOP_FILE,
};
use super::keep::set_aside;
use super::{KeptRules, changes, kept_rules};

/// What is to be written back, and where.
#[derive(Debug)]
pub struct Restoration<'a> {
    pub state_dir: &'a Path,
    pub wanted: &'a KeptRules,
    /// The rules folder.
    pub dir: &'a Path,
    pub at: WallTime,
    /// Even if that replaces changes that were never in force. They are set aside first.
    pub replace_changes: bool,
}

/// Paths within the folder.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct RulesRestored {
    pub written: Vec<String>,
    pub removed: Vec<String>,
    /// The digest of what stood there, if it was not in the history yet.
    pub set_aside: Option<String>,
}

#[derive(Debug, thiserror::Error)]
pub enum RestoreError {
    #[error("what is kept of these rules has been changed or damaged, so they cannot be restored")]
    Damaged,
    #[error("there are changes in the folder that were never in force")]
    NeverInForce(Vec<String>),
    #[error("what stands in the folder could not be kept, so nothing was changed: {0}")]
    NotSetAside(io::Error),
    #[error("{0} leads out of the rules folder, so nothing was changed")]
    Outside(String),
    #[error("{path} could not be written, so nothing was changed: {error}")]
    NotWritten { path: String, error: io::Error },
    #[error("only some of the files are in place; once the cause is gone, restore again ({0})")]
    InPart(io::Error),
    #[error("the folder cannot be read: {0}")]
    Unreadable(io::Error),
}

impl Restoration<'_> {
    pub fn restore(&self) -> Result<RulesRestored, RestoreError> {
        let rules = self.wanted.read().ok_or(RestoreError::Damaged)?;
        let present = present(self.dir).map_err(RestoreError::Unreadable)?;
        let now = super::super::load(self.dir);
        // What could not be read does not count in the digest, and still keeps the rules from being used.
        let all_read = present.iter().all(|path| holds(&now, path));
        if now.digest == rules.digest && all_read {
            return Ok(RulesRestored::default());
        }
        let aside = if present.is_empty() { None } else { self.keep_present(&present, &now, all_read)? };
        self.sweep();
        let prepared = self.prepare(&rules, &now)?;
        let written = prepared.iter().map(|(path, _)| path.clone()).collect();
        let removed: Vec<_> = present.into_iter().filter(|path| !holds(&rules, path)).collect();
        put_in_place(prepared, self.dir, &removed).map_err(RestoreError::InPart)?;
        Ok(RulesRestored { written, removed, set_aside: aside })
    }

    /// What stands in the folder is in the history from here on.
    fn keep_present(
        &self,
        present: &[String],
        now: &Folder,
        all_read: bool,
    ) -> Result<Option<String>, RestoreError> {
        let kept = kept_rules(self.state_dir).map_err(RestoreError::NotSetAside)?;
        let is_kept = |kept: &&KeptRules| all_read && kept.digest == now.digest && kept.read().is_some();
        let known: Vec<_> = kept.iter().filter(is_kept).collect();
        if known.iter().any(|known| !known.set_aside) {
            return Ok(None);
        }
        if !self.replace_changes {
            let last = kept.iter().rev().find(|kept| !kept.set_aside).and_then(KeptRules::read);
            let mut told = last.map_or_else(Vec::new, |last| changes(Some(&last), now));
            let unread = present.iter().filter(|path| !holds(now, path));
            told.extend(unread.map(|path| format!("{path}: cannot be read as rules")));
            return Err(RestoreError::NeverInForce(told));
        }
        if !known.is_empty() {
            return Ok(None);
        }
        set_aside(self.dir, present, self.state_dir, self.at).map(Some).map_err(RestoreError::NotSetAside)
    }

    /// A restore that was killed has left its files beside their places.
    fn sweep(&self) {
        const LONGEST: Duration = Duration::from_secs(60);
        let now = UNIX_EPOCH + Duration::from_millis(u64::try_from(self.at.0).unwrap_or(0));
        for sub in ["", MACHINES_DIR, INPUTS_DIR, MODULES_DIR] {
            remove_leftovers(&self.dir.join(sub), now.checked_sub(LONGEST).unwrap_or(UNIX_EPOCH));
        }
    }

    /// Every file that differs, whole and on the disk, beside its place. Dropped, all of them are gone again.
    pub(super) fn prepare(
        &self,
        rules: &Folder,
        now: &Folder,
    ) -> Result<Vec<(String, Beside)>, RestoreError> {
        let mut prepared = Vec::new();
        for module in &rules.modules {
            if now.module(&module.path).is_none_or(|found| found.sha256 != module.sha256) {
                let bytes = read_bytes(&rules.root.join(&module.path), MODULE_BYTES_MAX);
                prepared.push(self.beside(&module.path, bytes)?);
            }
        }
        for file in &rules.files {
            if !now.files.iter().any(|found| found.path == file.path && found.text == file.text) {
                prepared.push(self.beside(&file.path, Ok(file.text.clone().into_bytes()))?);
            }
        }
        Ok(prepared)
    }

    fn beside(&self, path: &str, content: io::Result<Vec<u8>>) -> Result<(String, Beside), RestoreError> {
        let place = self.dir.join(path);
        let within = || -> io::Result<bool> {
            let folder = place.parent().unwrap_or(self.dir);
            fs::create_dir_all(folder)?;
            Ok(fs::canonicalize(folder)?.starts_with(fs::canonicalize(self.dir)?))
        };
        let failed = |error| RestoreError::NotWritten { path: path.to_owned(), error };
        if !within().map_err(failed)? {
            return Err(RestoreError::Outside(path.to_owned()));
        }
        let beside = content.and_then(|content| Beside::write(&place, &content)).map_err(failed)?;
        Ok((path.to_owned(), beside))
    }
}

/// All at once, as far as a file system knows that, so that the guard sees little of what is in between.
pub(super) fn put_in_place(
    prepared: Vec<(String, Beside)>,
    dir: &Path,
    removed: &[String],
) -> io::Result<()> {
    let paths = prepared.iter().map(|(path, _)| path).chain(removed);
    let folders: BTreeSet<PathBuf> =
        paths.filter_map(|path| Some(dir.join(path).parent()?.to_owned())).collect();
    prepared.into_iter().try_for_each(|(_, beside)| beside.put())?;
    removed.iter().try_for_each(|path| fs::remove_file(dir.join(path)))?;
    folders.iter().try_for_each(|folder| File::open(folder)?.sync_all())
}

fn holds(folder: &Folder, path: &str) -> bool {
    folder.files.iter().any(|file| file.path == path) || folder.module(path).is_some()
}

/// Every file that is meant as rules, whether it can be used or not; nothing else in the folder is touched.
fn present(dir: &Path) -> io::Result<Vec<String>> {
    let mut found: Vec<String> = [SHOP_FILE, INPUTS_FILE]
        .into_iter()
        .filter(|name| fs::symlink_metadata(dir.join(name)).is_ok())
        .map(str::to_owned)
        .collect();
    for (sub, end) in [(MACHINES_DIR, ".toml"), (INPUTS_DIR, ".toml"), (MODULES_DIR, ".wasm")] {
        let entries = match fs::read_dir(dir.join(sub)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            entries => entries?,
        };
        for entry in entries {
            let name = entry?.file_name();
            // A name that is no text is no rules file either.
            let Some(name) = name.to_str() else { continue };
            if name.ends_with(end) && !name.starts_with(['.', '#']) {
                found.push(format!("{sub}/{name}"));
            }
        }
    }
    Ok(found)
}
