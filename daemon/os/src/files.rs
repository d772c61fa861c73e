//! Files that are there whole or not at all, and files that people name: plain ones, of a size that was meant.

use std::fs::{File, Permissions};
use std::io::{self, Read as _, Write as _};
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _, fchown};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// What is still beside its place is hidden from whoever lists rules.
const BESIDE: &str = ".idlegate-";

/// Opens a file that somebody named. Opening a named pipe would wait for its writer, and a device may never end.
pub fn open_plain(path: &Path) -> io::Result<File> {
    let not_plain = || io::Error::new(io::ErrorKind::InvalidInput, "this is not a plain file");
    if !std::fs::metadata(path)?.is_file() {
        return Err(not_plain());
    }
    let file = File::open(path)?;
    // Asked again of the opened file: it may have been exchanged in between.
    if file.metadata()?.is_file() { Ok(file) } else { Err(not_plain()) }
}

/// The whole text of a plain file of at most so many bytes.
pub fn read_text(path: &Path, bytes_max: u64) -> io::Result<String> {
    let bytes = read_bytes(path, bytes_max)?;
    String::from_utf8(bytes).map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "this is not UTF-8 text"))
}

/// The whole content of a plain file of at most so many bytes.
pub fn read_bytes(path: &Path, bytes_max: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open_plain(path)?.take(bytes_max + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > bytes_max {
        let why = format!("this file is larger than {} KiB", bytes_max / 1024);
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, why));
    }
    Ok(bytes)
}

/// Beside the file first, then in its place: never half of it, whenever the program is stopped.
pub fn replace(path: &Path, text: &str) -> io::Result<()> {
    Beside::write(path, text.as_bytes())?.put()
}

/// A file that is whole and on the disk, beside the place it is for. Dropped, it is gone.
#[derive(Debug)]
pub struct Beside {
    file: tempfile::NamedTempFile,
    place: PathBuf,
}

impl Beside {
    pub fn write(place: &Path, content: &[u8]) -> io::Result<Beside> {
        let folder = place.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut file = tempfile::Builder::new().prefix(BESIDE).tempfile_in(folder)?;
        file.write_all(content)?;
        file.as_file().sync_all()?;
        let before = std::fs::metadata(place);
        // Root may write it for somebody who goes on editing it.
        if let (Ok(owner), Ok(made)) =
            (before.as_ref().or(std::fs::metadata(folder).as_ref()), file.as_file().metadata())
            && (owner.uid(), owner.gid()) != (made.uid(), made.gid())
        {
            let _ = fchown(file.as_file(), Some(owner.uid()), Some(owner.gid()));
        }
        // A temporary file is for its owner only; a rules file is for the service, too.
        let mode = match before {
            Ok(metadata) => metadata.permissions(),
            Err(_) => Permissions::from_mode(0o644),
        };
        file.as_file().set_permissions(mode)?;
        Ok(Beside { file, place: place.to_owned() })
    }

    pub fn put(self) -> io::Result<()> {
        self.file.persist(self.place)?;
        Ok(())
    }
}

/// Removes what a killed program has left beside places in this folder. What is younger may still be wanted.
pub fn remove_leftovers(folder: &Path, older_than: SystemTime) {
    let entries = std::fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok);
    for entry in entries.filter(|entry| entry.file_name().as_encoded_bytes().starts_with(BESIDE.as_bytes())) {
        let is_old = entry
            .metadata()
            .and_then(|found| Ok(found.is_file() && found.modified()? < older_than))
            .unwrap_or(false);
        if is_old {
            // It harms nobody where it is.
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pipe_a_device_and_a_flood_are_refused_at_once() {
        let dir = tempfile::tempdir().unwrap();
        let pipe = dir.path().join("pipe");
        rustix::fs::mknodat(
            rustix::fs::CWD,
            &pipe,
            rustix::fs::FileType::Fifo,
            rustix::fs::Mode::from_raw_mode(0o600),
            0,
        )
        .unwrap();
        for path in [pipe.as_path(), Path::new("/dev/zero"), dir.path()] {
            assert_eq!(open_plain(path).unwrap_err().to_string(), "this is not a plain file", "{path:?}");
        }
        let large = dir.path().join("large");
        std::fs::write(&large, vec![b'x'; 3_000]).unwrap();
        assert_eq!(read_text(&large, 2_048).unwrap_err().to_string(), "this file is larger than 2 KiB");
        assert_eq!(read_text(&large, 3_000).unwrap().len(), 3_000);
        std::fs::write(&large, b"\xff").unwrap();
        assert_eq!(read_text(&large, 2_048).unwrap_err().to_string(), "this is not UTF-8 text");
    }
}
