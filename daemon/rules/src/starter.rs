//! `idlegate new-rules DIR`: a small commented rules folder to begin with, which itself passes the check.

use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

/// Path within the folder, and content.
pub const FILES: [(&str, &str); 4] = [
    ("shop.toml", include_str!("starter/shop.toml")),
    ("machines/filament-printer.toml", include_str!("starter/machines/filament-printer.toml")),
    ("inputs.toml", include_str!("starter/inputs.toml")),
    ("README.txt", include_str!("starter/README.txt")),
];

/// Writes the folder and says which files. Nothing that exists is ever overwritten.
pub fn write(dir: &Path) -> io::Result<Vec<PathBuf>> {
    if fs::read_dir(dir).is_ok_and(|mut entries| entries.next().is_some()) {
        let message = format!("{} is not empty; nothing was written", dir.display());
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, message));
    }
    FILES
        .iter()
        .map(|(path, text)| {
            let path = dir.join(path);
            if let Some(parent) = path.parent() {
                fs::create_dir_all(parent)?;
            }
            fs::File::create_new(&path)?.write_all(text.as_bytes())?;
            Ok(path)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_start_overwrites_nothing() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let target = dir.path().join("rules");
        assert_eq!(write(&target).expect("written").len(), FILES.len());
        let again = write(&target).expect_err("it is not empty");
        assert_eq!(again.kind(), io::ErrorKind::AlreadyExists);
    }
}
