//! What the journal knows of the hours before the start: what was drawn, and what people were told.

use std::path::Path;

use super::lately::{self, Entry};
use super::plot::{SLOT_MILLIS, SLOTS};
use crate::journalling::JOURNAL_FILE;
use idlegate_guard::time::WallTime;
use idlegate_journal::{JournalReader, Query, RecordKind};
use idlegate_messages::{Energy, Told, from_json};
use idlegate_plan::text::parse_time;

/// Six hours of half-hours, for a thousand machines.
const RECORDS_MAX: usize = 12_000;
const TOLD_MAX: usize = 24;
const MINUTE_MILLIS: i64 = 60_000;

#[derive(Debug, Default)]
pub(super) struct Past {
    /// A machine's draw at a time, in watts.
    pub(super) draw: Vec<(String, WallTime, f64)>,
    pub(super) lately: Vec<Entry>,
}

/// Nothing where there is no journal, or none that can be read: the page is none the worse for it.
pub(super) fn read(state_dir: &Path, now: WallTime) -> Past {
    let Ok(reader) = JournalReader::open(&state_dir.join(JOURNAL_FILE)) else { return Past::default() };
    let from = Some(WallTime(now.0 - SLOTS * SLOT_MILLIS));
    let of = |kinds: Vec<RecordKind>, count| {
        reader
            .last(count, &Query { from, to: Some(now), machine: None, kinds, within: None })
            .unwrap_or_default()
    };
    let mut past = Past::default();
    for found in of(vec![RecordKind::Energy], RECORDS_MAX).iter().filter(|found| found.intact) {
        let Some(energy) = from_json::<Energy>(&found.body()) else { continue };
        if let (Some(name), Ok(from)) = (&found.machine, parse_time(&energy.from)) {
            past.draw.extend(minutes(&energy, from).map(|(at, watts)| (name.clone(), at, watts)));
        }
    }
    for found in
        of(vec![RecordKind::Announcement, RecordKind::Incident], TOLD_MAX).iter().filter(|found| found.intact)
    {
        past.lately.extend(from_json::<Told>(&found.body()).map(|told| lately::told(&told, found.at.wall)));
    }
    past
}

/// The mean draw of each minute in which the meter was heard.
fn minutes(energy: &Energy, from: WallTime) -> impl Iterator<Item = (WallTime, f64)> {
    let starts = (0_i64..).map(move |minute| WallTime(from.0 + minute * MINUTE_MILLIS));
    starts.zip(&energy.joules).filter_map(|(at, joules)| Some((at, (*joules)? / 60.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_minute_in_which_nothing_was_heard_draws_nothing() {
        let energy = Energy { joules: vec![Some(7_200.0), None, Some(0.0)], ..Energy::default() };
        let drawn: Vec<_> = minutes(&energy, WallTime(1_000)).collect();
        assert_eq!(drawn, [(WallTime(1_000), 120.0), (WallTime(121_000), 0.0)]);
    }

    #[test]
    fn a_folder_without_a_journal_has_no_past() {
        let dir = tempfile::tempdir().unwrap();
        assert!(read(dir.path(), WallTime(0)).draw.is_empty());
    }
}
