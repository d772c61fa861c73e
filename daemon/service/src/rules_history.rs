//! Every accepted rules folder goes into the history of the rules. Written on the thread that looks after the rules,
//! after the loop has been told of them; on a full disk that is tried again later, and nobody waits for it.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use idlegate_guard::time::WallTime;
use idlegate_os::Clock;
use idlegate_rules::{self as rules, Folder, history};

const AGAIN_AFTER: Duration = Duration::from_secs(60);

#[derive(Debug)]
pub(super) struct RulesHistory {
    state_dir: Option<PathBuf>,
    /// Those that were accepted last, until they are kept.
    waiting: Option<Waiting>,
}

#[derive(Debug)]
struct Waiting {
    folder: Folder,
    accepted_at: WallTime,
    /// After a failure.
    again_at: Option<Instant>,
}

impl RulesHistory {
    pub(super) fn new(state_dir: Option<PathBuf>) -> RulesHistory {
        RulesHistory { state_dir, waiting: None }
    }

    /// A start may guard by the copy of the last good rules, and a history may have been lost: so that is where it
    /// begins.
    pub(super) fn begin(&mut self, in_force: &str) {
        let copy = self.state_dir.as_deref().map(|state_dir| rules::load(&rules::last_good(state_dir)));
        if let Some(copy) = copy.filter(|copy| copy.digest == in_force) {
            self.accepted(&copy);
        }
    }

    pub(super) fn accepted(&mut self, folder: &Folder) {
        if self.waiting.as_ref().is_some_and(|waiting| waiting.folder.digest == folder.digest) {
            return;
        }
        let accepted_at = Clock.now().wall;
        self.waiting = Some(Waiting { folder: folder.clone(), accepted_at, again_at: None });
    }

    /// Called every second, and before anything else is accepted.
    pub(super) fn write(&mut self) {
        let is_due =
            |waiting: &mut Waiting| waiting.again_at.is_none_or(|again_at| again_at <= Instant::now());
        let Some(state_dir) = self.state_dir.as_deref() else { return };
        let Some(mut waiting) = self.waiting.take_if(is_due) else { return };
        if let Err(error) = history::keep(&waiting.folder, state_dir, waiting.accepted_at) {
            if waiting.again_at.is_none() {
                told(state_dir, &error);
            }
            waiting.again_at = Some(Instant::now() + AGAIN_AFTER);
            self.waiting = Some(waiting);
        }
    }
}

/// Once for each change of the rules.
fn told(state_dir: &Path, error: &std::io::Error) {
    tracing::warn!(%error, dir = %state_dir.display(),
        "these rules could not be put into the history of the rules, so they cannot be restored later; \
         guarding goes on, and it is tried again every minute");
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn a_history_that_cannot_be_written_is_tried_again_and_one_that_was_lost_begins_anew() {
        let dir = tempfile::tempdir().unwrap();
        let (dir, state) = (dir.path().join("rules"), dir.path().join("state"));
        rules::starter::write(&dir).unwrap();
        fs::create_dir(&state).unwrap();
        let folder = rules::load(&dir);
        rules::keep_last_good(&folder, &state).unwrap();
        // Whoever is root can write into any folder, but not into a file.
        fs::write(state.join("rules-history"), "").unwrap();
        let mut history = RulesHistory::new(Some(state.clone()));
        history.begin(&folder.digest);
        history.write();
        let waiting = history.waiting.as_mut().unwrap();
        assert!(waiting.again_at.is_some());
        waiting.again_at = Some(Instant::now());
        fs::remove_file(state.join("rules-history")).unwrap();
        history.write();
        assert!(history.waiting.is_none());
        assert_eq!(history::kept_rules(&state).unwrap()[0].digest, folder.digest);
    }
}
