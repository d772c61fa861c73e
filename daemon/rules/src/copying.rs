//! Copies of rules in the state folder: for their owner's eyes alone, and on the disk before anything rests on them.

use std::fs::{self, DirBuilder, File};
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::Path;

const FILE_MODE: u32 = 0o600;
pub(crate) const FOLDER_MODE: u32 = 0o700;

pub(crate) fn make_folder(folder: &Path) -> io::Result<()> {
    DirBuilder::new().mode(FOLDER_MODE).recursive(true).create(folder)
}

pub(crate) fn write(path: &Path, content: &[u8]) -> io::Result<()> {
    let mut file = File::options().write(true).create_new(true).mode(FILE_MODE).open(path)?;
    file.write_all(content)?;
    file.sync_all()
}

pub(crate) fn sync(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

pub(crate) fn remove(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        Ok(()) | Err(_) => Ok(()),
    }
}
