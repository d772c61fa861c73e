//! Power that this computer lost, by what the run before left in the journal.

use std::collections::BTreeSet;

use idlegate_engine::FormerPower;
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_journal::{BootId, Found, JournalReader, Query, RecordKind};
use idlegate_messages::{OutletState, Stop};
use idlegate_plan::event::Name;

/// Among so many of a machine's newest records. Of one that was switched earlier nothing is said.
const AMONG: usize = 2_000;

/// Who begins later than this after the computer did is too late to tell: another may have guarded meanwhile.
const UP_MAX: Span = Span::secs(900);

/// Nothing where the run before was stopped in order, or was killed while the computer went on.
pub(super) fn lost_power(reader: &JournalReader, boot: &BootId, now: Now) -> Option<FormerPower> {
    // It counts from the start of the computer.
    if now.moment.since(Moment(0)) > UP_MAX {
        return None;
    }
    let stops = Query { kinds: vec![RecordKind::Stop], ..Query::default() };
    let stop = reader.last(1, &stops).ok()?.pop().filter(|stop| stop.intact)?;
    let ran_on = [boot, &stop.boot].iter().any(|boot| boot.is_unknown()) || stop.boot == *boot;
    if !stop.read::<Stop>().unexpected || ran_on {
        return None;
    }
    let machines: BTreeSet<String> = reader.machines().ok()?.into_iter().collect();
    let machines = machines.iter().filter_map(|machine| Name::new(machine).ok());
    let outlets = machines.filter_map(|machine| {
        let switch = last_known(reader, &machine, stop.at.wall)?;
        Some((machine, switch))
    });
    Some(FormerPower { since: stop.at.wall, outlets: outlets.collect() })
}

fn last_known(reader: &JournalReader, machine: &Name, until: WallTime) -> Option<Switch> {
    let to = Some(WallTime(until.0.saturating_add(1)));
    let query = Query { machine: Some(machine.clone()), to, ..Query::default() };
    let newest = reader.last(AMONG, &query).ok()?;
    let is_of_outlet = |found: &&Found| found.intact && found.kind() == Some(RecordKind::Outlet);
    let state = newest.iter().rev().find(is_of_outlet)?.read::<OutletState>().state;
    [Switch::On, Switch::Off].into_iter().find(|switch| switch.word() == &*state)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::journalling::JOURNAL_FILE;
    use idlegate_journal::{FileBackend, Journal, Limits, Pace, Record, nobody_listens};
    use idlegate_messages::{Start, json};

    const BEGAN: WallTime = WallTime(1_793_577_600_000);

    fn at(secs: u64) -> Now {
        Now { moment: Moment(secs * 1_000), wall: WallTime(BEGAN.0 + i64::try_from(secs).unwrap() * 1_000) }
    }

    fn outlet(machine: &str, secs: u64, state: &'static str) -> Record {
        let body = json(&OutletState { state: state.into() });
        Record::new(RecordKind::Outlet, at(secs), body).of(Name::new(machine).unwrap())
    }

    /// A run that ends like this, in a folder of its own.
    fn journal(dir: &Path, stop: Option<Stop>) -> JournalReader {
        let file = dir.join(JOURNAL_FILE);
        let (journal, _) = Journal::start(
            Box::new(FileBackend::new(file.clone(), Limits::default())),
            Pace::default(),
            nobody_listens(),
        );
        let records = [
            Record::new(RecordKind::Start, at(0), json(&Start::default())),
            outlet("mill", 1, "on"),
            outlet("kiln", 2, "on"),
            outlet("kiln", 3, "off"),
        ];
        let stop = stop.map(|stop| Record::new(RecordKind::Stop, at(60), json(&stop)));
        // What a new run has heard already is no news of the one before.
        let later =
            [Record::new(RecordKind::Start, at(90), json(&Start::default())), outlet("kiln", 91, "on")];
        records.into_iter().chain(stop).chain(later).for_each(|record| journal.append(record));
        assert!(journal.close(Span::secs(20)));
        JournalReader::open(&file).unwrap()
    }

    #[test]
    fn only_a_run_that_ended_with_its_computer_has_lost_its_power() {
        let (other, here) = (BootId::new("another-run-of-it"), BootId::current());
        assert!(!here.is_unknown(), "this computer does not say which run of it this is");
        let lost_at = |stop: Option<Stop>, boot: &BootId, up_secs: u64| {
            let dir = tempfile::tempdir().unwrap();
            let now = Now { moment: Moment(up_secs * 1_000), ..at(90) };
            lost_power(&journal(dir.path(), stop), boot, now)
        };
        let lost = |stop: Option<Stop>, boot: &BootId| lost_at(stop, boot, 60);
        let name = |name| Name::new(name).unwrap();
        let unexpected = Some(Stop { unexpected: true });
        let former = FormerPower {
            since: at(60).wall,
            outlets: vec![(name("kiln"), Switch::Off), (name("mill"), Switch::On)],
        };
        assert_eq!(lost(unexpected, &other), Some(former));
        assert_eq!(lost_at(unexpected, &other, 3_600), None, "it stood by for an hour");
        assert_eq!(lost(unexpected, &here), None, "it was killed");
        assert_eq!(lost(unexpected, &BootId::new("")), None, "nobody knows");
        assert_eq!(lost(Some(Stop::default()), &other), None, "it was stopped");
        assert_eq!(lost(None, &other), None, "it never stopped");
    }
}
