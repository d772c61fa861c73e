//! A mark in the state folder while changed rules are being tried: still there at the next start, it says that they
//! have taken the guard with them. Rules that do that must not do it again at every start.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::Path;

use super::folder::Folder;

const MARK: &str = "rules-being-tried";
/// A digest in hexadecimal.
const DIGEST_CHARS: usize = 64;

/// Before anything of these rules is compiled or set to work. It is on the disk when this returns.
pub fn mark(folder: &Folder, state_dir: &Path) -> io::Result<()> {
    fs::DirBuilder::new().mode(0o700).recursive(true).create(state_dir)?;
    let mut file =
        File::options().write(true).create(true).truncate(true).mode(0o600).open(state_dir.join(MARK))?;
    writeln!(file, "{}", folder.digest)?;
    file.sync_all()?;
    File::open(state_dir)?.sync_all()
}

/// They have proven themselves, or were refused.
pub fn unmark(state_dir: &Path) {
    match fs::remove_file(state_dir.join(MARK)) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => {
            tracing::warn!(%error, "the mark of the rules being tried could not be removed; the next start will not try them");
        }
        Ok(()) | Err(_) => {}
    }
}

/// The digest of the rules during whose trial the last run ended.
pub fn marked(state_dir: &Path) -> Option<String> {
    let text = fs::read_to_string(state_dir.join(MARK)).ok()?;
    let digest = text.trim_end();
    // A mark that a power cut left empty says nothing.
    (digest.len() == DIGEST_CHARS).then(|| digest.to_owned())
}

/// What people are told who wonder why their change does nothing.
pub fn held_back(folder: &Folder) -> String {
    format!(
        "Idlegate ended while it was trying the rules that are now in {}, so it goes on with those before them. To try them \
         again, save one of the files, or reload (systemctl reload idlegate)",
        folder.root.display()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_found_until_it_is_removed() {
        let dir = tempfile::tempdir().unwrap();
        let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
        assert_eq!(marked(&state), None);
        super::super::starter::write(&rules).unwrap();
        let folder = super::super::load(&rules);
        mark(&folder, &state).unwrap();
        assert_eq!(marked(&state), Some(folder.digest));
        unmark(&state);
        unmark(&state);
        assert_eq!(marked(&state), None);
        fs::write(state.join(MARK), "").unwrap();
        assert_eq!(marked(&state), None, "as a power cut leaves it");
    }
}
