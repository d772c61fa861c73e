//! The last sign of life, in a small file beside the journal, and how long the clock has run evenly.
//!
//! Whoever is killed writes no last word. The next run reads here until when the former one was there, and puts the
//! missing `stop` on record. Overwritten in place once a minute and never synced: a power cut may cost a minute, and a
//! damaged file counts as none.

use std::fs::{File, OpenOptions};
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::record::BootId;
use idlegate_guard::time::{Moment, Now, Span, WallTime};

/// The file is never shorter or longer, so that one write replaces all of it.
const LINE_BYTES: usize = 200;
/// Both clocks may differ by this much from one look to the next: somebody's small correction.
const UNEVEN_MAX_MS: u64 = 120_000;
/// After being off for longer than this nobody can say whether the clock is right.
const OFF_MAX_MS: i64 = 30 * 24 * 3_600_000;

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Sign {
    boot: String,
    mono_ms: u64,
    wall_ms: i64,
    /// For so long, off times left out, the clock has neither been set nor stood still.
    even_ms: u64,
    /// A run was under way: it had begun, and not stopped.
    pub(super) runs: bool,
}

#[derive(Debug)]
pub(super) struct Alive {
    file: PathBuf,
    sign: Sign,
}

impl Sign {
    pub(super) fn at(&self) -> Now {
        Now { moment: Moment(self.mono_ms), wall: WallTime(self.wall_ms) }
    }

    pub(super) fn boot(&self) -> BootId {
        BootId::new(&self.boot)
    }

    /// Nothing where there is none, or a damaged one.
    pub(super) fn beside(journal: &Path) -> Option<Sign> {
        let mut bytes = Vec::new();
        let file = File::open(file_beside(journal)).ok()?;
        file.take(2 * LINE_BYTES as u64).read_to_end(&mut bytes).ok()?;
        let (line, sum) = std::str::from_utf8(&bytes).ok()?.trim_end().rsplit_once('\n')?;
        (sum == format!("{:08x}", crc32fast::hash(line.as_bytes())))
            .then(|| serde_json::from_str(line).ok())?
    }

    fn text(&self) -> String {
        let line = serde_json::to_string(self).expect("texts and numbers are JSON");
        let line = format!("{line:<LINE_BYTES$}");
        let sum = crc32fast::hash(line.as_bytes());
        format!("{line}\n{sum:08x}\n")
    }
}

impl Alive {
    /// With what an earlier run left there.
    pub(super) fn begin(journal: &Path, boot: &BootId, now: Now) -> Alive {
        let former = Sign::beside(journal);
        let even_ms = former.as_ref().filter(|sign| goes_on(sign, boot, now)).map_or(0, |sign| sign.even_ms);
        let sign = Sign {
            boot: boot.as_str().to_owned(),
            mono_ms: now.moment.0,
            wall_ms: now.wall.0,
            even_ms,
            runs: former.is_some_and(|sign| sign.runs),
        };
        Alive { file: file_beside(journal), sign }
    }

    pub(super) fn look(&mut self, now: Now) {
        let passed_ms = now.moment.0.saturating_sub(self.sign.mono_ms);
        let is_even = is_even(self.sign.at(), now);
        self.sign.even_ms = if is_even { self.sign.even_ms.saturating_add(passed_ms) } else { 0 };
        (self.sign.mono_ms, self.sign.wall_ms) = (now.moment.0, now.wall.0);
        self.write();
    }

    /// A run has begun, or stopped.
    pub(super) fn run(&mut self, runs: bool, now: Now) {
        self.sign.runs = runs;
        self.look(now);
    }

    pub(super) fn even_for(&self) -> Span {
        Span(self.sign.even_ms)
    }

    fn write(&self) {
        let open = OpenOptions::new().create(true).truncate(false).write(true).open(&self.file);
        if let Err(error) = open.and_then(|mut file| file.write_all(self.sign.text().as_bytes())) {
            tracing::debug!(%error, "the sign of life could not be written");
        }
    }
}

fn file_beside(journal: &Path) -> PathBuf {
    journal.with_extension("alive")
}

fn is_even(before: Now, now: Now) -> bool {
    let passed_ms = i64::try_from(now.moment.0.saturating_sub(before.moment.0)).unwrap_or(i64::MAX);
    now.wall.0.saturating_sub(before.wall.0).saturating_sub(passed_ms).unsigned_abs() <= UNEVEN_MAX_MS
}

/// Whether this clock can be the one that the sign was written by, some time later.
fn goes_on(sign: &Sign, boot: &BootId, now: Now) -> bool {
    if sign.boot().is_same_run(boot) && now.moment.0 >= sign.mono_ms {
        return is_even(sign.at(), now);
    }
    (0..=OFF_MAX_MS).contains(&now.wall.0.saturating_sub(sign.wall_ms))
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: u64 = 60_000;
    const DAY: u64 = 1_440 * MINUTE;

    fn at(mono: u64, ahead_ms: i64) -> Now {
        Now {
            moment: Moment(mono),
            wall: WallTime(1_800_000_000_000 + i64::try_from(mono).unwrap() + ahead_ms),
        }
    }

    fn boot(name: &str) -> BootId {
        BootId::new(name)
    }

    #[test]
    fn a_clock_that_jumps_ahead_and_back_has_to_run_evenly_anew() {
        let folder = tempfile::tempdir().unwrap();
        let journal = folder.path().join("journal.sqlite");
        let mut alive = Alive::begin(&journal, &boot("one"), at(0, 0));
        (1..=1_440).for_each(|minute| alive.look(at(minute * MINUTE, 0)));
        assert_eq!(alive.even_for(), Span(DAY));
        let two_years = 2 * 365 * 86_400_000;
        alive.look(at(DAY + MINUTE, two_years));
        assert_eq!(alive.even_for(), Span::ZERO);
        alive.look(at(DAY + 2 * MINUTE, two_years));
        alive.look(at(DAY + 3 * MINUTE, 0));
        assert_eq!(alive.even_for(), Span::ZERO);
        alive.look(at(DAY + 4 * MINUTE, 900));
        assert_eq!(alive.even_for(), Span(MINUTE), "a small correction is none");
    }

    #[test]
    fn even_time_goes_on_over_restarts_but_not_with_a_clock_that_is_years_off() {
        let folder = tempfile::tempdir().unwrap();
        let journal = folder.path().join("journal.sqlite");
        let mut alive = Alive::begin(&journal, &boot("one"), at(0, 0));
        alive.run(true, at(600 * MINUTE, 0));
        assert!(Sign::beside(&journal).unwrap().runs);
        for (name, mono, ahead_ms, even_ms) in [
            ("one", 620 * MINUTE, 0, 600 * MINUTE),
            ("one", 620 * MINUTE, 3_600_000, 0),
            ("two", MINUTE, 86_400_000, 600 * MINUTE),
            ("two", MINUTE, 2 * 365 * 86_400_000, 0),
            ("two", MINUTE, -86_400_000, 0),
        ] {
            let again = Alive::begin(&journal, &boot(name), at(mono, ahead_ms));
            assert_eq!(again.even_for(), Span(even_ms), "{name} {ahead_ms}");
        }
    }

    #[test]
    fn a_damaged_sign_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let journal = folder.path().join("journal.sqlite");
        Alive::begin(&journal, &boot("one"), at(0, 0)).look(at(5, 0));
        let file = file_beside(&journal);
        let sound = std::fs::read(&file).unwrap();
        assert!(Sign::beside(&journal).is_some());
        for byte in 0..sound.len() - 1 {
            let mut damaged = sound.clone();
            damaged[byte] ^= 1;
            std::fs::write(&file, &damaged).unwrap();
            assert_eq!(Sign::beside(&journal), None, "{byte}");
        }
        std::fs::write(&file, b"").unwrap();
        assert_eq!(Sign::beside(&journal), None);
    }
}
