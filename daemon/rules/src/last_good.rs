//! A copy of the rules that were in force last, for a start with broken ones: guarding by the rules of yesterday is
//! better than not guarding at all.

use std::fs;
use std::io;
use std::os::unix::fs::{DirBuilderExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use super::folder::Folder;

const FOLDER: &str = "last-good-rules";

/// Where the copy is kept in the state folder.
pub fn last_good(state_dir: &Path) -> PathBuf {
    state_dir.join(FOLDER)
}

/// Copies what the folder held when it was read: its rules as they were, its detectors if they still are the same.
///
/// The copy before stays in place until the new one is whole.
pub fn keep_last_good(folder: &Folder, state_dir: &Path) -> io::Result<()> {
    let place = last_good(state_dir);
    if super::load(&place).digest == folder.digest {
        return Ok(());
    }
    let (new, old) = (place.with_extension("new"), place.with_extension("old"));
    for stale in [&new, &old] {
        remove(stale)?;
    }
    fs::DirBuilder::new().mode(0o700).recursive(true).create(&new)?;
    for file in &folder.files {
        write(&new.join(&file.path), file.text.as_bytes())?;
    }
    for module in &folder.modules {
        let content = fs::read(folder.root.join(&module.path))?;
        write(&new.join(&module.path), &content)?;
    }
    if super::load(&new).digest != folder.digest {
        remove(&new)?;
        return Err(io::Error::other("the rules changed while they were being copied"));
    }
    if place.exists() {
        fs::rename(&place, &old)?;
    }
    fs::rename(&new, &place)?;
    remove(&old)
}

fn write(path: &Path, content: &[u8]) -> io::Result<()> {
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent)?;
    }
    fs::write(path, content)?;
    fs::set_permissions(path, fs::Permissions::from_mode(0o600))
}

fn remove(dir: &Path) -> io::Result<()> {
    match fs::remove_dir_all(dir) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        Ok(()) | Err(_) => Ok(()),
    }
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
}
