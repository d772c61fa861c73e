//! The history of the rules: every folder that was accepted, as it was, so that people can go back to it, and so that a
//! decision can be shown with the rules it was made by.
//!
//! Each is a plain folder in the state folder, `rules-history/NUMBER-TIME-DIGEST`, readable by its owner only. A file
//! that did not change is one file on the disk under several names. Their number and size are bounded. Guarding needs
//! nothing of it: whatever is missing or damaged here cannot be shown or restored, and that is all.

mod changes;
mod keep;
mod restore;
#[cfg(test)]
mod tests;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use idlegate_guard::time::WallTime;
use idlegate_plan::text::{compact_time, parse_time};

use super::folder::Folder;

pub use changes::changes;
pub use keep::keep;
pub use restore::{Restoration, RestoreError, RulesRestored};

const FOLDER: &str = "rules-history";
/// Behind the digest of what was never accepted.
const SET_ASIDE: &str = "-set-aside";
/// A digest in hexadecimal.
const DIGEST_CHARS: usize = 64;
/// As much of a digest as is shown where that is enough.
const SHORT_CHARS: usize = 12;

/// Rules in the history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptRules {
    /// They are in this order, whatever the clock said.
    number: u64,
    /// When they were accepted or set aside, to the second.
    pub at: WallTime,
    pub digest: String,
    /// They were never accepted, but stood in the folder when others were restored into it.
    pub set_aside: bool,
    place: PathBuf,
}

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DigestError {
    #[error("{0:?} is no digest: write its first characters, as `idlegate rules log` shows them")]
    NotDigest(String),
    #[error("no rules with the digest {0} are kept; `idlegate rules log` shows which are")]
    Unknown(String),
    #[error("several rules have a digest that begins with {0}: write more of it")]
    Ambiguous(String),
}

/// Whatever is kept, oldest first.
pub fn kept_rules(state_dir: &Path) -> io::Result<Vec<KeptRules>> {
    let place = state_dir.join(FOLDER);
    let entries = match fs::read_dir(&place) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        entries => entries?,
    };
    let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let mut kept: Vec<_> = names.filter_map(|name| KeptRules::named(&place, &name)).collect();
    kept.sort_by(|a, b| (a.number, a.at, &a.digest).cmp(&(b.number, b.at, &b.digest)));
    Ok(kept)
}

/// The newest with a digest that begins like this, and that can still be read if any of them can.
pub fn find<'a>(kept: &'a [KeptRules], digest: &str) -> Result<&'a KeptRules, DigestError> {
    let wanted = digest.to_ascii_lowercase();
    if wanted.is_empty() || !wanted.bytes().all(|byte| byte.is_ascii_hexdigit()) {
        return Err(DigestError::NotDigest(digest.to_owned()));
    }
    let alike: Vec<_> = kept.iter().rev().filter(|kept| kept.digest.starts_with(&wanted)).collect();
    let newest = *alike.first().ok_or(DigestError::Unknown(wanted.clone()))?;
    if alike.iter().any(|other| other.digest != newest.digest) {
        return Err(DigestError::Ambiguous(wanted));
    }
    Ok(alike.into_iter().find(|kept| kept.read().is_some()).unwrap_or(newest))
}

/// As much of a digest as tells it from all others.
pub fn shortened<'a>(kept: &[KeptRules], digest: &'a str) -> &'a str {
    let alike = |other: &str| other.bytes().zip(digest.bytes()).take_while(|(a, b)| a == b).count();
    let others = kept.iter().filter(|kept| kept.digest != digest);
    let shared = others.map(|other| alike(&other.digest)).max().unwrap_or(0);
    digest.get(..SHORT_CHARS.max(shared + 1)).unwrap_or(digest)
}

impl KeptRules {
    /// The folder as it was kept; nothing if it has been changed or damaged since.
    pub fn read(&self) -> Option<Folder> {
        Some(super::load(&self.place)).filter(|folder| folder.digest == self.digest)
    }

    fn new(history: &Path, number: u64, at: WallTime, digest: &str, set_aside: bool) -> KeptRules {
        let aside = if set_aside { SET_ASIDE } else { "" };
        let place = history.join(format!("{number:06}-{}-{digest}{aside}", compact_time(at)));
        KeptRules { number, at, digest: digest.to_owned(), set_aside, place }
    }

    /// Nothing for a folder that is no entry, such as one that a crash left unfinished.
    fn named(history: &Path, name: &str) -> Option<KeptRules> {
        let (rest, set_aside) = match name.strip_suffix(SET_ASIDE) {
            Some(rest) => (rest, true),
            None => (name, false),
        };
        let (number, rest) = rest.split_once('-')?;
        let (time, digest) = rest.split_once('-')?;
        let is_digest = digest.len() == DIGEST_CHARS && digest.bytes().all(|byte| byte.is_ascii_hexdigit());
        if !is_digest || !time.is_ascii() || time.len() != "20261125T023149Z".len() {
            return None;
        }
        let [year, month, day] = [&time[..4], &time[4..6], &time[6..8]];
        let [hour, minute, second] = [&time[9..11], &time[11..13], &time[13..15]];
        let at = parse_time(&format!("{year}-{month}-{day}T{hour}:{minute}:{second}Z")).ok()?;
        Some(KeptRules {
            number: number.parse().ok()?,
            at,
            digest: digest.to_owned(),
            set_aside,
            place: history.join(name),
        })
    }
}
