//! A copy of the rules that were in force last, for a start with broken ones: guarding by the rules of yesterday is
//! better than not guarding at all.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::copying::{make_folder, remove, sync, write};
use super::folder::Folder;

const FOLDER: &str = "last-good-rules";

/// Where the copy is kept in the state folder.
pub fn last_good(state_dir: &Path) -> PathBuf {
    let place = state_dir.join(FOLDER);
    let before = before(&place);
    // Stopped just when the new one was about to take its place: the one before is whole.
    if before.exists() && !place.exists() { before } else { place }
}

fn before(place: &Path) -> PathBuf {
    place.with_extension("old")
}

/// Copies what the folder held when it was read: its rules as they were, its detectors if they still are the same.
///
/// Whenever it is stopped, a whole copy is there, this one or the one before.
pub fn keep_last_good(folder: &Folder, state_dir: &Path) -> io::Result<()> {
    let place = state_dir.join(FOLDER);
    let (new, old) = (place.with_extension("new"), before(&place));
    if old.exists() && !place.exists() {
        fs::rename(&old, &place)?;
    }
    if super::load(&place).digest == folder.digest {
        return Ok(());
    }
    for stale in [&new, &old] {
        remove(stale)?;
    }
    let written = fill(&new, folder).and_then(|()| {
        let is_same = super::load(&new).digest == folder.digest;
        if is_same { Ok(()) } else { Err(io::Error::other("the rules changed while they were being copied")) }
    });
    if let Err(error) = written {
        // On a full disk others need the room.
        let _ = remove(&new);
        return Err(error);
    }
    if place.exists() {
        fs::rename(&place, &old)?;
    }
    fs::rename(&new, &place)?;
    sync(state_dir)?;
    remove(&old)
}

fn fill(place: &Path, folder: &Folder) -> io::Result<()> {
    make_folder(place)?;
    let mut folders = BTreeSet::from([place.to_owned()]);
    let texts = folder.files.iter().map(|file| (&file.path, Some(&file.text)));
    let modules = folder.modules.iter().map(|module| (&module.path, None));
    for (path, text) in texts.chain(modules) {
        let to = place.join(path);
        if let Some(parent) = to.parent().filter(|parent| !folders.contains(*parent)) {
            make_folder(parent)?;
            folders.insert(parent.to_owned());
        }
        match text {
            Some(text) => write(&to, text.as_bytes())?,
            None => write(&to, &fs::read(folder.root.join(path))?)?,
        }
    }
    folders.iter().rev().try_for_each(|folder| sync(folder))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_copy_is_the_same_rules_and_a_new_one_takes_its_place() {
        let dir = tempfile::tempdir().unwrap();
        let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
        fs::create_dir(&state).unwrap();
        super::super::starter::write(&rules).unwrap();
        fs::create_dir(rules.join("detectors")).unwrap();
        fs::write(rules.join("detectors/mine.wasm"), b"anything").unwrap();
        let first = super::super::load(&rules);
        keep_last_good(&first, &state).unwrap();
        assert_eq!(super::super::load(&last_good(&state)).digest, first.digest);

        fs::write(rules.join("shop.toml"), "title = \"Other\"\n").unwrap();
        let second = super::super::load(&rules);
        keep_last_good(&second, &state).unwrap();
        assert_eq!(super::super::load(&last_good(&state)).digest, second.digest);
        assert_eq!(fs::read_dir(&state).unwrap().count(), 1, "nothing else is left lying about");
    }

    /// The power went between the two renames.
    #[test]
    fn a_copy_that_was_about_to_be_replaced_still_counts() {
        let dir = tempfile::tempdir().unwrap();
        let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
        fs::create_dir(&state).unwrap();
        super::super::starter::write(&rules).unwrap();
        let first = super::super::load(&rules);
        keep_last_good(&first, &state).unwrap();
        let place = last_good(&state);
        fs::rename(&place, before(&place)).unwrap();
        assert_eq!(super::super::load(&last_good(&state)).digest, first.digest);

        // And is never the price of a copy that fails.
        let gone = Folder { digest: "another".to_owned(), ..super::super::load(&rules) };
        assert!(keep_last_good(&gone, &state).is_err());
        assert_eq!(super::super::load(&last_good(&state)).digest, first.digest);
        keep_last_good(&first, &state).unwrap();
        assert_eq!(fs::read_dir(&state).unwrap().count(), 1);
    }

    #[test]
    fn only_their_owner_reads_the_copy() {
        use std::os::unix::fs::PermissionsExt as _;
        let dir = tempfile::tempdir().unwrap();
        let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
        fs::create_dir(&state).unwrap();
        super::super::starter::write(&rules).unwrap();
        keep_last_good(&super::super::load(&rules), &state).unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        let copy = last_good(&state);
        assert_eq!((mode(&copy), mode(&copy.join("shop.toml"))), (0o700, 0o600));
    }
}
