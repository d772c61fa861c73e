//! A decision and what followed it, out of the journal.

use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::{Found, JournalReader, Query, RecordKind, StoreError};
use idlegate_messages::{Decision, Told};
use idlegate_plan::event::Name;

/// What follows is told for so long after the decision …
const FOLLOWS_FOR: Span = Span::secs(120);
/// … and no more than so many lines of it.
const FOLLOWS_MAX: usize = 16;
/// What was said in a large hall meanwhile may be much.
const LOOKED_THROUGH_MAX: usize = 2_000;

/// Which decisions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Which {
    Last(usize),
    /// The last one at or before this time, or, if there is none, the first after it.
    At(WallTime),
}

#[derive(Clone, Debug, PartialEq)]
pub struct Episode {
    pub decision: Found,
    /// In order of time; the next decisions of the machine among them.
    pub followed: Vec<Found>,
}

/// The decisions that were asked for, oldest first.
pub fn episodes(
    reader: &JournalReader,
    machine: Option<&Name>,
    which: Which,
) -> Result<Vec<Episode>, StoreError> {
    let decisions =
        Query { machine: machine.cloned(), kinds: vec![RecordKind::Decision], ..Query::default() };
    let found = match which {
        Which::Last(count) => reader.last(count, &decisions)?,
        Which::At(at) => {
            let until = Query { to: Some(WallTime(at.0.saturating_add(1))), ..decisions.clone() };
            let before = reader.last(1, &until)?;
            if before.is_empty() {
                let after = Query { from: Some(at), ..decisions };
                reader.records(&after).next().into_iter().collect::<Result<Vec<_>, _>>()?
            } else {
                before
            }
        }
    };
    found.into_iter().map(|decision| with_what_followed(reader, decision)).collect()
}

fn with_what_followed(reader: &JournalReader, decision: Found) -> Result<Episode, StoreError> {
    // Without a machine nothing can be said to follow from it.
    let Some(machine) = decision.machine.as_deref().and_then(|machine| Name::new(machine).ok()) else {
        return Ok(Episode { decision, followed: Vec::new() });
    };
    let length = i64::try_from(FOLLOWS_FOR.0).unwrap_or(i64::MAX);
    let meanwhile = Query {
        from: Some(decision.at.wall),
        to: Some(WallTime(decision.at.wall.0.saturating_add(length))),
        ..Query::default()
    };
    let mut followed = its_own(reader, &decision, &machine, &meanwhile)?;
    followed.extend(of_several(reader, &decision, &machine, &meanwhile)?);
    followed.sort_by_key(|record| record.seq);
    followed.truncate(FOLLOWS_MAX);
    Ok(Episode { decision, followed })
}

fn its_own(
    reader: &JournalReader,
    decision: &Found,
    machine: &Name,
    meanwhile: &Query,
) -> Result<Vec<Found>, StoreError> {
    let query = Query {
        machine: Some(machine.clone()),
        kinds: vec![
            RecordKind::Decision,
            RecordKind::Order,
            RecordKind::Announcement,
            RecordKind::Incident,
            RecordKind::IncidentOver,
            RecordKind::Outlet,
            RecordKind::State,
            RecordKind::Job,
        ],
        ..meanwhile.clone()
    };
    let later = |record: &Result<Found, StoreError>| !record.as_ref().is_ok_and(|it| it.seq <= decision.seq);
    reader.records(&query).filter(later).take(FOLLOWS_MAX).collect()
}

/// One sentence for several machines stands in the journal once: for none of them, or for the first.
fn of_several(
    reader: &JournalReader,
    decision: &Found,
    machine: &Name,
    meanwhile: &Query,
) -> Result<Vec<Found>, StoreError> {
    let query = Query {
        kinds: vec![RecordKind::Announcement, RecordKind::Incident, RecordKind::IncidentOver],
        ..meanwhile.clone()
    };
    let input = decision.read::<Decision>().input;
    let mut found = Vec::new();
    for record in reader.records(&query).take(LOOKED_THROUGH_MAX) {
        let record = record?;
        if record.machine.as_deref() == Some(machine.as_str()) {
            continue;
        }
        let told: Told = record.read();
        let is_named = told.machines.iter().any(|name| name == machine.as_str());
        // The machines are decided upon one after the other, and the sentence for all of them is said with the first.
        let said_with_it = record.at == decision.at && told.input.unwrap_or_default() == input;
        if is_named && (record.seq > decision.seq || said_with_it) {
            found.push(record);
        }
    }
    Ok(found)
}
