//! Changed rules on trial: marked before anything of them is compiled, kept as good ones once the guard has worked by
//! them for a while.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::first_rules::Provenance;
use super::rules_history::RulesHistory;
use idlegate_rules::{self as rules, Folder, tried};

/// A detector that takes the guard with it does so at its start or with its first readings.
const PROVEN_AFTER: Duration = Duration::from_secs(10);

#[derive(Debug)]
pub(super) struct Trying {
    state_dir: Option<PathBuf>,
    provenance: Provenance,
    /// The digest of what was copied last, or is going to be.
    kept: String,
    /// In force since then, and not copied yet.
    proving: Option<(Instant, Folder)>,
    history: RulesHistory,
}

impl Trying {
    pub(super) fn new(state_dir: Option<PathBuf>, provenance: Provenance) -> Trying {
        let history = RulesHistory::new(state_dir.clone());
        Trying { state_dir, provenance, kept: String::new(), proving: None, history }
    }

    /// Before the first look. The rules of this digest are in force.
    pub(super) fn start(&mut self, in_force: &str) {
        self.history.begin(in_force);
        self.history.write();
    }

    /// Whether these rules are not to be tried by themselves. Whoever asks for them, or changes them, has them tried.
    pub(super) fn holds_back(&mut self, folder: &Folder, asked: bool) -> bool {
        if asked || self.provenance.held_back.as_ref() != Some(&folder.digest) {
            self.provenance.held_back = None;
        }
        self.provenance.held_back.is_some()
    }

    /// Before anything of these rules is compiled.
    pub(super) fn begin(&self, folder: &Folder) {
        if let Some(state_dir) = &self.state_dir
            && let Err(error) = tried::mark(folder, state_dir)
        {
            tracing::warn!(%error, "it could not be noted that changed rules are being tried");
        }
    }

    /// They were refused; those in force may be on trial themselves.
    pub(super) fn refused(&self) {
        match &self.proving {
            Some((_, folder)) => self.begin(folder),
            None => self.unmark(),
        }
    }

    /// These are in force. Later calls for the same change nothing.
    pub(super) fn in_force(&mut self, folder: &Folder) {
        if self.kept == folder.digest {
            return;
        }
        if !self.kept.is_empty() {
            self.provenance.incomplete = false;
        }
        self.kept.clone_from(&folder.digest);
        self.proving = Some((Instant::now(), folder.clone()));
        self.history.accepted(folder);
        self.prove();
    }

    /// Every second, before the next look.
    pub(super) fn turn(&mut self) {
        self.prove();
        self.history.write();
    }

    /// Copies what is in force if it has proven itself. Where there is nothing else to fall back on, at once.
    fn prove(&mut self) {
        let Some(state_dir) = self.state_dir.clone() else { return };
        let nothing_else = !rules::last_good(&state_dir).exists();
        let proven = |(since, _): &mut (Instant, Folder)| nothing_else || since.elapsed() >= PROVEN_AFTER;
        let Some((_, folder)) = self.proving.take_if(proven) else { return };
        if !self.provenance.incomplete
            && let Err(error) = rules::keep_last_good(&folder, &state_dir)
        {
            tracing::warn!(%error, "the rules could not be copied for a later start with broken ones");
        }
        self.unmark();
    }

    /// Where the state folder is, for whoever ends in good order.
    pub(super) fn state_dir(&self) -> Option<&PathBuf> {
        self.state_dir.as_ref()
    }

    fn unmark(&self) {
        if let Some(state_dir) = &self.state_dir {
            tried::unmark(state_dir);
        }
    }
}
