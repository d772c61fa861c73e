//! The folder with the journal and the lockouts: one program's own. A second guard in it would answer every request a
//! second time, and whoever can write there can end a lockout.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::fs::{FlockOperation, flock};

/// Held until the program ends, however it ends: the kernel lets go of it.
#[derive(Debug)]
pub struct StateFolder {
    _held: Option<File>,
}

#[derive(Debug, thiserror::Error)]
pub enum StateFolderError {
    #[error(
        "{} is in use by another Idlegate on this computer. Stop that one first, or give this one a state folder of its own \
         with --state-dir", .0.display()
    )]
    InUse(PathBuf),
    #[error(
        "every user of this computer can write to {0}, and so end lockouts (mode {1:03o}). Take that away with: chmod o-w {0}",
        dir.display(), mode
    )]
    WritableByAll { dir: PathBuf, mode: u32 },
}

/// Whoever restarts a guard may start the new one a moment before the old one has ended.
const LOOKS: u32 = 20;
const LOOK_EVERY: Duration = Duration::from_millis(100);

impl StateFolder {
    /// Makes the folder if there is none. A disk that cannot be used is no reason not to guard: that is told, and
    /// nothing held.
    pub fn claim(dir: &Path) -> Result<StateFolder, StateFolderError> {
        match fs::create_dir_all(dir).and_then(|()| File::open(dir)) {
            Ok(folder) => StateFolder::claim_opened(dir, folder),
            Err(error) => Ok(StateFolder::unusable(dir, &error)),
        }
    }

    fn claim_opened(dir: &Path, folder: File) -> Result<StateFolder, StateFolderError> {
        const WRITABLE_BY_OTHERS: u32 = 0o002;
        let mode = match folder.metadata() {
            Ok(metadata) => metadata.permissions().mode() & 0o7777,
            Err(error) => return Ok(StateFolder::unusable(dir, &error)),
        };
        if mode & WRITABLE_BY_OTHERS != 0 {
            return Err(StateFolderError::WritableByAll { dir: dir.to_owned(), mode });
        }
        for look in 1..=LOOKS {
            match flock(&folder, FlockOperation::NonBlockingLockExclusive) {
                Ok(()) => return Ok(StateFolder { _held: Some(folder) }),
                Err(rustix::io::Errno::WOULDBLOCK) if look < LOOKS => std::thread::sleep(LOOK_EVERY),
                Err(rustix::io::Errno::WOULDBLOCK) => break,
                // Some file systems of other computers know no locks.
                Err(error) => return Ok(StateFolder::unusable(dir, &error.into())),
            }
        }
        Err(StateFolderError::InUse(dir.to_owned()))
    }

    fn unusable(dir: &Path, error: &io::Error) -> StateFolder {
        tracing::error!(%error, dir = %dir.display(), "the state folder cannot be used as it should");
        StateFolder { _held: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_folder_belongs_to_one_guard_and_to_nobody_else() {
        let parent = tempfile::tempdir().unwrap();
        let dir = parent.path().join("state");
        let held = StateFolder::claim(&dir).unwrap();
        let refused = StateFolder::claim(&dir).unwrap_err().to_string();
        assert!(
            refused.contains("state is in use by another Idlegate") && refused.contains("--state-dir"),
            "{refused}"
        );
        drop(held);
        drop(StateFolder::claim(&dir).unwrap());
        fs::set_permissions(&dir, fs::Permissions::from_mode(0o777)).unwrap();
        let refused = StateFolder::claim(&dir).unwrap_err().to_string();
        assert!(refused.ends_with(&format!("chmod o-w {}", dir.display())), "{refused}");
    }
}
