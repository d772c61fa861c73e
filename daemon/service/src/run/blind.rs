//! What the service cannot see of itself, and what a former run could not see when it ended, or lost its power by.

use std::path::Path;
use std::sync::mpsc::{self, Receiver};
use std::time::Duration;

use super::Service;
use super::power::lost_power;
use crate::journalling::JOURNAL_FILE;
use idlegate_engine::{Blindness, FormerBlindSpot, FormerPower};
use idlegate_guard::time::{Now, WallTime};
use idlegate_journal::{BootId, JournalReader, Query, RecordKind};
use idlegate_messages::{Told, still_open};
use idlegate_os::Clock;
use idlegate_plan::event::{Event, ServiceSight};
use idlegate_plan::text::rfc3339;

/// Among so many of the newest incidents and their ends. One that began before is told anew.
const AMONG: usize = 5_000;
/// This program is younger than that: 2026-01-01.
const CLOCK_SET_FROM: WallTime = WallTime(1_767_225_600_000);

/// The start waits for so long; a disk that is slower is heard later.
const PATIENCE: Duration = Duration::from_millis(500);

pub(super) type RunBefore = Receiver<Before>;

/// How the former run ended.
#[derive(Debug)]
pub(super) struct Before {
    blind: Vec<FormerBlindSpot>,
    power: Option<FormerPower>,
}

/// Reads on a thread of its own, since a disk may be slow, and tells once.
pub(super) fn run_before(state_dir: Option<&Path>) -> RunBefore {
    let (tell, before) = mpsc::channel();
    let Some(file) = state_dir.map(|dir| dir.join(JOURNAL_FILE)) else { return before };
    let read = move || {
        let Ok(reader) = JournalReader::open(&file) else { return };
        let power = lost_power(&reader, &BootId::current(), Clock.now());
        drop(tell.send(Before { blind: open_at_the_end(&reader), power }));
    };
    if let Err(error) = std::thread::Builder::new().name("run-before".into()).spawn(read) {
        tracing::warn!(%error, "how the run before ended is not known; what could not be seen is told anew");
    }
    before
}

/// Those whose end is not on record.
fn open_at_the_end(reader: &JournalReader) -> Vec<FormerBlindSpot> {
    let query = Query { kinds: vec![RecordKind::Incident, RecordKind::IncidentOver], ..Query::default() };
    let Ok(newest) = reader.last(AMONG, &query) else { return Vec::new() };
    still_open(newest.iter().filter(|found| found.intact).map(|found| found.read::<Told>()))
}

impl Service {
    /// Before anything is told of what may have been told already.
    pub(super) fn wait_for_run_before(&mut self) {
        if let Ok(before) = self.run_before.recv_timeout(PATIENCE) {
            self.recall_run_before(&before);
        }
    }

    fn recall_run_before(&mut self, before: &Before) {
        let now = Clock.now();
        self.engine.recall_blind_spots(&before.blind, now);
        if before.blind.iter().any(|spot| spot.kind == Blindness::LateBroker) {
            self.broker.expiry.recall_late();
        }
        if let Some(power) = &before.power {
            self.engine.recall_power(power, now);
        }
    }

    pub(super) async fn see_itself(&mut self, now: Now) {
        if let Ok(before) = self.run_before.try_recv() {
            self.recall_run_before(&before);
        }
        let sight = ServiceSight {
            journal_out: self.dispatch.journalling.out().map(Into::into),
            clock_unset: (now.wall < CLOCK_SET_FROM).then(|| rfc3339(now.wall).into()),
            late_broker: self.broker.expiry.is_late(),
        };
        // How late it is by a clock that is wrong is no news.
        let is_news = ServiceSight { clock_unset: None, ..sight.clone() }
            != ServiceSight { clock_unset: None, ..self.service_sight.clone() }
            || sight.clock_unset.is_some() != self.service_sight.clock_unset.is_some();
        if is_news || self.turns == 1 {
            self.service_sight = sight.clone();
            self.handle(now, Event::Service(sight)).await;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::time::{Moment, Span};
    use idlegate_journal::{FileBackend, Journal, Limits, Pace, Record, nobody_listens};
    use idlegate_messages::{Blind, json};

    fn told(kind: &'static str, secs: u64, over: bool) -> Record {
        let wall = WallTime(1_793_577_600_000 + i64::try_from(secs).unwrap() * 1_000);
        let spot = Blind {
            kind: kind.into(),
            machine: Some("mill".to_owned()),
            since: rfc3339(wall),
            ..Blind::default()
        };
        let message = Told { blind: vec![spot], over, ..Told::default() };
        let kind = if over { RecordKind::IncidentOver } else { RecordKind::Incident };
        Record::new(kind, Now { moment: Moment(secs * 1_000), wall }, json(&message))
    }

    /// Or a guard that is started anew would say it all once more.
    #[test]
    fn what_was_told_and_has_not_ended_is_found_in_the_journal() {
        let dir = tempfile::tempdir().unwrap();
        let before = |dir: &Path| run_before(Some(dir)).recv_timeout(Duration::from_secs(20));
        assert!(before(dir.path()).is_err(), "there is no journal");
        let shelf = FileBackend::new(dir.path().join(JOURNAL_FILE), Limits::default());
        let (journal, _) = Journal::start(Box::new(shelf), Pace::default(), nobody_listens());
        for record in [
            told("outlet-unreachable", 1, false),
            told("meter-silent", 2, false),
            told("outlet-unreachable", 3, true),
            told("of-a-later-version", 4, false),
        ] {
            journal.append(record);
        }
        assert!(journal.close(Span::secs(20)));
        let kinds: Vec<Blindness> = before(dir.path()).unwrap().blind.iter().map(|spot| spot.kind).collect();
        assert_eq!(kinds, [Blindness::MeterSilent]);
    }
}
