//! What the service is started with, and how it ends.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use tracing_appender::non_blocking::ErrorCounter;

use super::first_rules::Provenance;
use super::stand_by::OneOfSeveral;
use idlegate_detectors::Modules;
use idlegate_plan::SharedPlan;

#[derive(Clone, Debug)]
pub struct Options {
    pub plan: SharedPlan,
    pub modules: Arc<Modules>,
    /// Where the journal and the lockouts are kept.
    pub state_dir: Option<PathBuf>,
    /// The folder the plan comes from, if changes in it are to be taken up.
    pub rules_dir: Option<PathBuf>,
    /// How the plan came to be the first.
    pub provenance: Provenance,
    /// Log lines for which there was no room, where they are counted.
    pub lost_lines: Option<ErrorCounter>,
    /// When it was last tried whether the broker heeds message expiry, in milliseconds of our clock: one of several may
    /// guard again and again within an hour.
    pub(super) expiry_tried: Arc<AtomicU64>,
    /// Where several daemons share the work of one.
    pub(super) stand_by: Option<OneOfSeveral>,
}

impl Options {
    pub fn new(plan: SharedPlan, modules: Arc<Modules>) -> Options {
        let (state_dir, rules_dir, lost_lines, stand_by) = (None, None, None, None);
        let (expiry_tried, provenance) = (Arc::default(), Provenance::default());
        Options { expiry_tried, plan, modules, state_dir, rules_dir, provenance, lost_lines, stand_by }
    }
}

/// How guarding ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ended {
    Asked,
    /// One of several has lost its connection: somebody else may guard by now.
    LinkLost,
}
