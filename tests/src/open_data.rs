//! Recordings of real machines. They are no part of the repository: whoever has them names their folder in
//! `IDLEGATE_OPEN_DATA`, and whatever wants them says aloud when it goes without.

use std::path::PathBuf;

/// The folder of one part of them (`power`, `power-hard`, `cooling`), or what to say when it is not there.
pub fn part(name: &str) -> Result<PathBuf, String> {
    let folder = std::env::var_os("IDLEGATE_OPEN_DATA").map(|root| PathBuf::from(root).join(name));
    folder.filter(|folder| folder.is_dir()).ok_or_else(|| {
        format!(
            "skipped: IDLEGATE_OPEN_DATA names no folder with {name}/ in it; \
             tests/published/README.md says what that is and how to get it"
        )
    })
}
