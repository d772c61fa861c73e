//! Files that are there whole or not at all.

use std::io::{self, Write as _};
use std::path::Path;

/// Beside the file first, then in its place: never half of it, whenever the program is stopped.
pub fn replace(path: &Path, text: &str) -> io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut beside = tempfile::Builder::new().prefix(".idlegate-").tempfile_in(folder)?;
    beside.write_all(text.as_bytes())?;
    beside.as_file().sync_all()?;
    // A temporary file is for its owner only; a rules file is for the service, too.
    let mode = match std::fs::metadata(path) {
        Ok(metadata) => metadata.permissions(),
        Err(_) => std::os::unix::fs::PermissionsExt::from_mode(0o644),
    };
    beside.as_file().set_permissions(mode)?;
    beside.persist(path)?;
    Ok(())
}
