//! The second copy of what may not be lost: lockouts and deferrals, in a small file beside the journal, with a
//! checksum. A journal that is damaged cannot take a lockout with it, and whoever stands by, without a journal, writes
//! down here what it hears.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::file_backend::sync_folder;
use idlegate_guard::time::WallTime;
use idlegate_plan::event::Name;
use idlegate_plan::kept::KeptState;
use idlegate_plan::kept::note::KeptNote;

const BYTES_MAX: u64 = 16 * 1024 * 1024;

#[derive(Clone, Debug)]
pub struct LockoutCopy {
    file: PathBuf,
}

/// What stood in it.
#[derive(Clone, Debug, PartialEq)]
pub enum Copied {
    /// A new state folder, or one of an earlier version.
    Missing,
    Sound(BTreeMap<Name, KeptState>),
    Damaged(String),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Content {
    kind: RecordKind,
    machines: Vec<KeptNote>,
}

#[derive(Serialize, Deserialize)]
enum RecordKind {
    #[serde(rename = "lockouts")]
    Lockouts,
}

impl LockoutCopy {
    /// `journal.lockouts` beside `journal.sqlite`.
    pub fn beside(journal: &Path) -> LockoutCopy {
        LockoutCopy { file: journal.with_extension("lockouts") }
    }

    pub fn read(&self) -> Copied {
        let mut bytes = Vec::new();
        match File::open(&self.file).and_then(|file| file.take(BYTES_MAX).read_to_end(&mut bytes)) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Copied::Missing,
            Err(error) => Copied::Damaged(error.to_string()),
            Ok(_) => parse(&bytes).map_or_else(Copied::Damaged, Copied::Sound),
        }
    }

    /// After `Ok` it has reached the disk.
    pub fn write(&self, kept: &BTreeMap<Name, KeptState>, at: WallTime) -> std::io::Result<()> {
        let machines = kept.iter().filter(|(_, state)| !state.is_empty());
        let machines = machines.map(|(machine, state)| KeptNote::of(machine, state, at)).collect();
        let content = Content { kind: RecordKind::Lockouts, machines };
        let line = serde_json::to_string(&content).expect("texts and numbers are JSON");
        let sum = crc32fast::hash(line.as_bytes());
        idlegate_os::files::replace(&self.file, &format!("{line}\n{sum:08x}\n"))?;
        sync_folder(&self.file);
        Ok(())
    }
}

fn parse(bytes: &[u8]) -> Result<BTreeMap<Name, KeptState>, String> {
    let text = std::str::from_utf8(bytes).map_err(|error| error.to_string())?;
    let (line, sum) = text.trim_end().rsplit_once('\n').ok_or("it has no checksum")?;
    if sum != format!("{:08x}", crc32fast::hash(line.as_bytes())) {
        return Err("it does not match its checksum".to_owned());
    }
    let content: Content = serde_json::from_str(line).map_err(|error| error.to_string())?;
    content.machines.iter().map(|note| note.read().map_err(|error| error.to_string())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_plan::kept::KeptLockout;

    #[test]
    fn every_flipped_bit_and_every_missing_byte_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let copy = LockoutCopy::beside(&folder.path().join("journal.sqlite"));
        assert_eq!(copy.read(), Copied::Missing);
        let locked = KeptState::locked(KeptLockout::new(Name::new("red").unwrap(), true));
        let kept = BTreeMap::from([
            (Name::new("mill").unwrap(), locked.after(&KeptState::default())),
            (Name::new("kiln").unwrap(), KeptState::default()),
        ]);
        copy.write(&kept, WallTime(0)).unwrap();
        let Copied::Sound(read) = copy.read() else { panic!("{:?}", copy.read()) };
        assert_eq!(read.len(), 1);
        assert_eq!(read[&Name::new("mill").unwrap()], kept[&Name::new("mill").unwrap()]);
        let sound = std::fs::read(&copy.file).unwrap();
        for at in 0..sound.len() * 8 {
            let mut flipped = sound.clone();
            flipped[at / 8] ^= 1 << (at % 8);
            std::fs::write(&copy.file, &flipped).unwrap();
            // The very last byte only ends the line.
            assert!(matches!(copy.read(), Copied::Damaged(_)) || at / 8 + 1 == sound.len(), "bit {at}");
        }
        for length in 0..sound.len() - 1 {
            std::fs::write(&copy.file, &sound[..length]).unwrap();
            assert!(matches!(copy.read(), Copied::Damaged(_)), "{length} bytes");
        }
    }
}
