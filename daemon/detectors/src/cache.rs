//! Compiled detectors on disk, so that a restart compiles nothing.
//!
//! Compiled code is run as it is, so this trusts only what the daemon itself wrote: the folder belongs to its
//! user and is closed to everyone else, and each entry carries a checksum, since storage wears out. Whatever is
//! wrong with an entry, the detector is compiled again. The cache never fails a load.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::hash::{Hash, Hasher};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::SystemTime;

use sha2::{Digest, Sha256};
use wasmtime::Engine;
use wasmtime::component::Component;

use super::limits::{CACHE_ENTRIES_MAX, CACHE_ENTRY_BYTES_MAX};
use super::unchecked;
use idlegate_plan::text::hex;

const ENDING: &str = "compiled";
const CHECKSUM_BYTES: usize = 32;

#[derive(Debug, thiserror::Error)]
pub enum CacheError {
    #[error("cannot use {path} for compiled detectors: {why}")]
    Io { path: PathBuf, why: io::Error },
    #[error("{0} is not a folder, so compiled detectors cannot be kept there")]
    NotAFolder(PathBuf),
    #[error(
        "{0} may be read or written by others; compiled detectors are kept only where we alone can write (mode 0700)"
    )]
    OpenToOthers(PathBuf),
    #[error("{0} belongs to another user, so compiled detectors in it are not trusted")]
    NotOurs(PathBuf),
}

/// A folder of compiled detectors.
#[derive(Clone, Debug)]
pub struct CodeCache {
    dir: PathBuf,
}

impl CodeCache {
    /// Makes the folder if need be, and checks that nobody else can put anything into it.
    pub fn open(dir: &Path) -> Result<CodeCache, CacheError> {
        let failed = |why| CacheError::Io { path: dir.to_owned(), why };
        DirBuilder::new().recursive(true).mode(0o700).create(dir).map_err(failed)?;
        let cache = CodeCache { dir: dir.to_owned() };
        cache.check_dir()?;
        // A file that we make belongs to us: so we learn who we are, and that the folder can be written.
        let probe = cache.unfinished();
        let ours = create_private(&probe).and_then(|file| file.metadata()).map_err(failed)?.uid();
        fs::remove_file(&probe).map_err(failed)?;
        if fs::symlink_metadata(dir).map_err(failed)?.uid() != ours {
            return Err(CacheError::NotOurs(dir.to_owned()));
        }
        Ok(cache)
    }

    /// The compiled form of a file, if a sound one is kept.
    pub(super) fn fetch(&self, engine: &Engine, file_sha256: &[u8]) -> Option<Component> {
        let path = self.entry(engine, file_sha256);
        let entry = match self.read_entry(&path) {
            Ok(entry) => entry?,
            Err(why) => {
                tracing::warn!(path = %path.display(), %why, "compiled detector not used; it is compiled again");
                return None;
            }
        };
        // These bytes are what we were given for this very engine and file: the folder can be written by our user
        // alone, and the checksum holds.
        unchecked::component(engine, &entry[CHECKSUM_BYTES..])
            .inspect_err(|why| {
                tracing::warn!(path = %path.display(), why = format!("{why:#}"), "compiled detector does not fit; it is compiled again");
            })
            .ok()
    }

    /// Keeps the compiled form for the next start.
    pub(super) fn keep(&self, engine: &Engine, file_sha256: &[u8], code: &[u8]) {
        let path = self.entry(engine, file_sha256);
        if let Err(why) = self.write_entry(&path, code) {
            tracing::warn!(path = %path.display(), %why, "compiled detector not kept; the next start compiles it again");
        }
    }

    fn entry(&self, engine: &Engine, file_sha256: &[u8]) -> PathBuf {
        let mut key = KeyHasher(Sha256::new());
        engine.precompile_compatibility_hash().hash(&mut key);
        // How a plain module is made a component changes with the program.
        key.0.update(env!("CARGO_PKG_VERSION"));
        key.0.update(file_sha256);
        self.dir.join(format!("{}.{ENDING}", hex(&key.0.finalize())))
    }

    /// Nothing when there is no such entry.
    fn read_entry(&self, path: &Path) -> io::Result<Option<Vec<u8>>> {
        self.check_dir().map_err(io::Error::other)?;
        let file = match fs::symlink_metadata(path) {
            Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(why) => return Err(why),
            Ok(found) if !found.is_file() => return Err(io::Error::other("it is not a plain file")),
            Ok(_) => File::open(path)?,
        };
        let mut entry = Vec::new();
        file.take(CACHE_ENTRY_BYTES_MAX).read_to_end(&mut entry)?;
        match entry.split_at_checked(CHECKSUM_BYTES) {
            Some((checksum, code)) if checksum == Sha256::digest(code).as_slice() => Ok(Some(entry)),
            Some(_) | None => Err(io::Error::other("its checksum is wrong")),
        }
    }

    /// Under its own name only once it is complete, so that a power cut leaves the old entry or none.
    fn write_entry(&self, path: &Path, code: &[u8]) -> io::Result<()> {
        self.check_dir().map_err(io::Error::other)?;
        self.make_room()?;
        let unfinished = self.unfinished();
        let mut file = create_private(&unfinished)?;
        file.write_all(&Sha256::digest(code))?;
        file.write_all(code)?;
        file.sync_all()?;
        fs::rename(&unfinished, path)
    }

    /// A name that no other writer uses.
    fn unfinished(&self) -> PathBuf {
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let started = SystemTime::UNIX_EPOCH.elapsed().unwrap_or_default().as_nanos();
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        self.dir.join(format!("{}-{started}-{count}.unfinished", std::process::id()))
    }

    /// Removes the oldest entries, and what an interrupted writer left.
    fn make_room(&self) -> io::Result<()> {
        let mut entries: Vec<(SystemTime, PathBuf)> = Vec::new();
        for file in fs::read_dir(&self.dir)? {
            let file = file?;
            entries.push((file.metadata()?.modified()?, file.path()));
        }
        entries.sort();
        let surplus = (entries.len() + 1).saturating_sub(CACHE_ENTRIES_MAX);
        for (_, path) in entries.iter().take(surplus) {
            fs::remove_file(path)?;
        }
        Ok(())
    }

    fn check_dir(&self) -> Result<(), CacheError> {
        let found =
            fs::symlink_metadata(&self.dir).map_err(|why| CacheError::Io { path: self.dir.clone(), why })?;
        if !found.is_dir() {
            return Err(CacheError::NotAFolder(self.dir.clone()));
        }
        if found.mode() & 0o077 != 0 {
            return Err(CacheError::OpenToOthers(self.dir.clone()));
        }
        Ok(())
    }
}

fn create_private(path: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)
}

/// Feeds whatever the engine counts as its identity into a hash that does not change between runs.
struct KeyHasher(Sha256);

impl Hasher for KeyHasher {
    fn write(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    fn finish(&self) -> u64 {
        unreachable!("the key is taken from the hash within")
    }
}
