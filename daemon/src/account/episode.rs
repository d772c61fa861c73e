//! A decision and what followed it, out of the journal.

use crate::event::Name;
use crate::journal::{Found, Kind, Query, Reader, StoreError};
use crate::time::{Span, WallTime};

/// What follows is told for so long after the decision …
const FOLLOWS_FOR: Span = Span::secs(120);
/// … and no more than so many lines of it.
const FOLLOWS_MAX: usize = 16;

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
pub fn episodes(reader: &Reader, machine: Option<&Name>, which: Which) -> Result<Vec<Episode>, StoreError> {
    let decisions = Query { machine: machine.cloned(), kinds: vec![Kind::Decision], ..Query::default() };
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

fn with_what_followed(reader: &Reader, decision: Found) -> Result<Episode, StoreError> {
    let length = i64::try_from(FOLLOWS_FOR.0).unwrap_or(i64::MAX);
    let query = Query {
        from: Some(decision.at.wall),
        to: Some(WallTime(decision.at.wall.0.saturating_add(length))),
        machine: decision.machine.as_deref().and_then(|machine| Name::new(machine).ok()),
        kinds: vec![
            Kind::Decision,
            Kind::Order,
            Kind::Announcement,
            Kind::Incident,
            Kind::IncidentOver,
            Kind::Outlet,
            Kind::State,
        ],
    };
    let mut followed = Vec::new();
    // Without a machine nothing can be said to follow from it.
    if query.machine.is_some() {
        for record in reader.records(&query) {
            let record = record?;
            if record.seq > decision.seq && followed.len() < FOLLOWS_MAX {
                followed.push(record);
            }
        }
    }
    Ok(Episode { decision, followed })
}
