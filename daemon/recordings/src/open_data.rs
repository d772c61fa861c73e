//! Recordings of real machines, for tests. They are no part of the repository: whoever has them names their folder in
//! `IDLEGATE_OPEN_DATA`, and a test that wants them says aloud when it goes without.

use std::path::PathBuf;

/// The folder of one part of them, such as `power`.
pub(crate) fn part(name: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("IDLEGATE_OPEN_DATA").map(|root| PathBuf::from(root).join(name));
    let found = folder.filter(|folder| folder.is_dir());
    if found.is_none() {
        eprintln!(
            "skipped: IDLEGATE_OPEN_DATA names no folder with {name}/ in it; \
             tests/published/README.md says what that is and how to get it"
        );
    }
    found
}
