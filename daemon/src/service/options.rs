//! What the service is started with, and how it ends.

use std::path::PathBuf;
use std::sync::Arc;

use tracing_appender::non_blocking::ErrorCounter;

use super::modules::Modules;
use super::stand_by::OneOfSeveral;
use crate::plan::SharedPlan;

#[derive(Clone, Debug)]
pub struct Options {
    pub plan: SharedPlan,
    pub modules: Arc<Modules>,
    /// Where the journal and the lockouts are kept.
    pub state_dir: Option<PathBuf>,
    /// The folder the plan comes from, if changes in it are to be taken up.
    pub rules_dir: Option<PathBuf>,
    /// Log lines for which there was no room, where they are counted.
    pub lost_lines: Option<ErrorCounter>,
    /// Where several daemons share the work of one.
    pub(super) stand_by: Option<OneOfSeveral>,
}

impl Options {
    pub fn new(plan: SharedPlan, modules: Arc<Modules>) -> Options {
        let (state_dir, rules_dir, lost_lines, stand_by) = (None, None, None, None);
        Options { plan, modules, state_dir, rules_dir, lost_lines, stand_by }
    }
}

/// How guarding ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ended {
    Asked,
    /// One of several has lost its connection: somebody else may guard by now.
    LinkLost,
}
