//! Where the journal is, for commands that read it.

use std::path::Path;

use super::exit_code::Exit;
use super::rules;
use crate::journal::Reader;
use crate::service::JOURNAL_FILE;

/// From the state folder given, else from the one in the rules. The guard may be running meanwhile.
pub(super) fn open(rules: Option<&Path>, state_dir: Option<&Path>) -> anyhow::Result<Result<Reader, Exit>> {
    let dir = match (state_dir, rules) {
        (Some(dir), _) => dir.to_path_buf(),
        (None, Some(rules)) => {
            let plan = match rules::for_visitor(rules, None)? {
                Ok(plan) => plan,
                Err(exit) => return Ok(Err(exit)),
            };
            let Some(dir) = plan.shop.state_dir else {
                eprintln!(
                    "idlegate: the rules have no state_dir; use --state-dir to say where the journal is"
                );
                return Ok(Err(Exit::Usage));
            };
            dir
        }
        (None, None) => {
            eprintln!("idlegate: where is the journal? Give --state-dir DIR or --rules DIR");
            return Ok(Err(Exit::Usage));
        }
    };
    let file = dir.join(JOURNAL_FILE);
    match Reader::open(&file) {
        Ok(reader) => Ok(Ok(reader)),
        Err(error) => {
            eprintln!("idlegate: {}: {error}", file.display());
            Ok(Err(Exit::No))
        }
    }
}
