//! Putting a folder into the history: whole or not at all, and the oldest make room.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, chown};
use std::path::{Path, PathBuf};

use idlegate_guard::time::WallTime;
use idlegate_os::files::read_bytes;
use idlegate_plan::text::hex;
use sha2::{Digest as _, Sha256};

use super::super::copying::{FOLDER_MODE, make_folder, remove, sync, write};
use super::super::folder::{FILE_BYTES_MAX, Folder, MODULE_BYTES_MAX};
use super::{FOLDER, KeptRules, kept_rules};

/// So many are kept,
pub(super) const KEPT_MAX: usize = 100;
/// and no more than this on the disk. The rules of a hall are a tenth of a megabyte; this is for its detectors.
pub(super) const BYTES_MAX: u64 = 64 * 1024 * 1024;

/// Accepted at that time. Those that were accepted last are not kept twice in a row.
pub fn keep(folder: &Folder, state_dir: &Path, at: WallTime) -> io::Result<()> {
    let kept = kept_rules(state_dir)?;
    let before = kept.iter().rev().find(|kept| !kept.set_aside).and_then(KeptRules::read);
    if before.as_ref().is_some_and(|before| before.digest == folder.digest) {
        return Ok(());
    }
    let texts = folder.files.iter().map(|file| (file.path.as_str(), Content::Text(&file.text)));
    let modules = folder.modules.iter().map(|module| {
        let from = folder.root.join(&module.path);
        (module.path.as_str(), Content::Module { from, sha256: &module.sha256 })
    });
    let entry = NewEntry { state_dir, at, number: next_number(&kept), files: texts.chain(modules).collect() };
    entry.write(".being-kept", Some(&folder.digest), before.as_ref())?;
    remove_surplus(&kept_rules(state_dir)?)
}

/// Keeps files that were never accepted and are about to be replaced, whatever is in them. Returns their digest.
pub(super) fn set_aside(dir: &Path, paths: &[String], state_dir: &Path, at: WallTime) -> io::Result<String> {
    let kept = kept_rules(state_dir)?;
    let files = paths.iter().map(|path| (path.as_str(), Content::Anything(dir.join(path)))).collect();
    let entry = NewEntry { state_dir, at, number: next_number(&kept), files };
    let digest = entry.write(".being-set-aside", None, None)?;
    remove_surplus(&kept_rules(state_dir)?)?;
    Ok(digest)
}

fn next_number(kept: &[KeptRules]) -> u64 {
    kept.last().map_or(1, |newest| newest.number.saturating_add(1))
}

enum Content<'a> {
    Text(&'a str),
    /// It may have been replaced since it was read.
    Module {
        from: PathBuf,
        sha256: &'a str,
    },
    Anything(PathBuf),
}

struct NewEntry<'a> {
    state_dir: &'a Path,
    at: WallTime,
    number: u64,
    files: Vec<(&'a str, Content<'a>)>,
}

impl NewEntry<'_> {
    /// Where no digest is expected, it is what people put there, and theirs stays theirs: root may do this for them.
    fn write(&self, unfinished: &str, expected: Option<&str>, before: Option<&Folder>) -> io::Result<String> {
        let history = self.state_dir.join(FOLDER);
        make_folder(&history)?;
        // From a backup it may have come back open to all.
        fs::set_permissions(&history, fs::Permissions::from_mode(FOLDER_MODE))?;
        let unfinished = history.join(unfinished);
        remove(&unfinished)?;
        let written = self.fill(&unfinished, before).and_then(|()| {
            let digest = super::super::load(&unfinished).digest;
            if expected.is_some_and(|expected| expected != digest) {
                return Err(io::Error::other("they changed while they were being copied"));
            }
            if expected.is_none() {
                give_to_owner(self.state_dir, &history);
            }
            let kept = KeptRules::new(&history, self.number, self.at, &digest, expected.is_none());
            fs::rename(&unfinished, kept.place)?;
            sync(&history)?;
            Ok(digest)
        });
        if written.is_err() {
            // On a full disk others need the room.
            let _ = remove(&unfinished);
        }
        written
    }

    fn fill(&self, place: &Path, before: Option<&Folder>) -> io::Result<()> {
        let sizes: Vec<u64> =
            self.files.iter().map(|(_, content)| content.len()).collect::<io::Result<_>>()?;
        if sizes.iter().sum::<u64>() > BYTES_MAX {
            return Err(io::Error::other(format!("they are larger than {} MiB", BYTES_MAX >> 20)));
        }
        make_folder(place)?;
        let mut folders = BTreeSet::from([place.to_owned()]);
        for (path, content) in &self.files {
            let to = place.join(path);
            if let Some(folder) = to.parent().filter(|folder| !folders.contains(*folder)) {
                make_folder(folder)?;
                folders.insert(folder.to_owned());
            }
            let same = before.and_then(|before| unchanged(before, path, content));
            // Some file systems know no second name for a file.
            if same.is_none_or(|same| fs::hard_link(same, &to).is_err()) {
                write(&to, &content.read()?)?;
            }
        }
        folders.iter().rev().try_for_each(|folder| sync(folder))
    }
}

impl Content<'_> {
    fn len(&self) -> io::Result<u64> {
        match self {
            Content::Text(text) => Ok(text.len() as u64),
            Content::Module { from, .. } | Content::Anything(from) => {
                Ok(fs::metadata(from).map_err(cannot_copy(from))?.len())
            }
        }
    }

    fn read(&self) -> io::Result<Vec<u8>> {
        match self {
            Content::Text(text) => Ok(text.as_bytes().to_vec()),
            Content::Module { from, sha256 } => {
                let bytes = read_bytes(from, MODULE_BYTES_MAX)?;
                let is_same = hex(&Sha256::digest(&bytes)) == **sha256;
                if is_same { Ok(bytes) } else { Err(io::Error::other("a detector was replaced meanwhile")) }
            }
            Content::Anything(from) => {
                let is_module = from.extension().is_some_and(|extension| extension == "wasm");
                let limit = if is_module { MODULE_BYTES_MAX } else { FILE_BYTES_MAX };
                read_bytes(from, limit).map_err(cannot_copy(from))
            }
        }
    }
}

fn cannot_copy(from: &Path) -> impl FnOnce(io::Error) -> io::Error {
    move |error| io::Error::new(error.kind(), format!("{} cannot be copied: {error}", from.display()))
}

/// The file that the entry before has of the same content.
fn unchanged(before: &Folder, path: &str, content: &Content<'_>) -> Option<PathBuf> {
    let is_there = match content {
        Content::Text(text) => before.files.iter().any(|file| file.path == path && file.text == *text),
        Content::Module { sha256, .. } => {
            before.modules.iter().any(|module| module.path == path && module.sha256 == *sha256)
        }
        Content::Anything(_) => false,
    };
    is_there.then(|| before.root.join(path))
}

/// What was accepted again counts once before anything is removed for it: going to and fro costs nobody their past.
fn remove_surplus(kept: &[KeptRules]) -> io::Result<()> {
    let mut seen = BTreeSet::new();
    let (newest, repeated): (Vec<_>, Vec<_>) = kept.iter().rev().partition(|kept| seen.insert(&kept.digest));
    let mut files = BTreeSet::new();
    let mut bytes = 0;
    for (rank, kept) in newest.into_iter().chain(repeated).enumerate() {
        bytes += own_bytes(&kept.place, &mut files);
        if rank >= KEPT_MAX || bytes > BYTES_MAX && rank > 0 {
            // Never half of one under its name.
            let going = kept.place.with_file_name(".going");
            remove(&going)?;
            fs::rename(&kept.place, &going)?;
            remove(&going)?;
        }
    }
    Ok(())
}

/// Of the files that have not been counted yet.
fn own_bytes(place: &Path, counted: &mut BTreeSet<(u64, u64)>) -> u64 {
    let found = walk(place).into_iter().filter_map(|path| fs::symlink_metadata(path).ok());
    let files = found.filter(|metadata| metadata.is_file());
    files.filter(|file| counted.insert((file.dev(), file.ino()))).map(|file| file.len()).sum()
}

/// An entry's folder, what is in it, and what is in that: rules folders are no deeper.
fn walk(place: &Path) -> Vec<PathBuf> {
    let inside = |folder: &Path| {
        let entries = fs::read_dir(folder).into_iter().flatten();
        entries.filter_map(|entry| Some(entry.ok()?.path())).collect::<Vec<_>>()
    };
    let mut found = vec![place.to_owned()];
    for path in inside(place) {
        found.extend(inside(&path));
        found.push(path);
    }
    found
}

/// The guard must be able to remove it one day. Only ever called for people: the guard itself may not even try.
fn give_to_owner(state_dir: &Path, history: &Path) {
    let Ok(owner) = fs::metadata(state_dir) else { return };
    for path in walk(history).into_iter().chain(walk(&history.join(".being-set-aside"))) {
        let is_theirs = fs::symlink_metadata(&path)
            .is_ok_and(|found| (found.uid(), found.gid()) == (owner.uid(), owner.gid()));
        if !is_theirs {
            let _ = chown(&path, Some(owner.uid()), Some(owner.gid()));
        }
    }
}
