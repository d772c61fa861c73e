//! What a job is worth, for whoever proposes a dwell before the rules are finished: read from their text alone.

use std::path::Path;

use crate::folder::load;
use crate::words;
use idlegate_guard::time::Span;
use idlegate_plan::JOB_WORTH;

/// As the machine's own file says, else as the shop's does. What cannot be read says nothing; `idlegate check` tells of
/// it.
pub fn job_worth(dir: &Path, machine: Option<&str>) -> Span {
    let folder = load(dir);
    let said = |file: &str| {
        let text = &folder.files.iter().find(|it| it.path == file)?.text;
        let table: toml::Table = text.parse().ok()?;
        words::duration(table.get("guard")?.get("job_worth")?.as_str()?).ok()
    };
    let own = machine.and_then(|machine| said(&format!("machines/{machine}.toml")));
    own.or_else(|| said("shop.toml")).unwrap_or(JOB_WORTH)
}
