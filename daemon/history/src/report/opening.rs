//! What was so when the time begins: it was said before, however long ago.

use std::collections::BTreeMap;

use super::ledger::{Terms, Walk};
use idlegate_guard::time::WallTime;
use idlegate_journal::{Found, JournalReader, Query, RecordKind, StoreError};
use idlegate_plan::event::Name;

/// The order that an outlet followed came this shortly before its report.
const FOLLOWED_WITHIN_MS: i64 = 600_000;

pub(super) fn at(reader: &JournalReader, terms: &Terms) -> Result<Walk, StoreError> {
    let from = terms.period.from;
    let mut walk = Walk { books: BTreeMap::new(), runs: false, latest: from };
    for machine in terms.titles.keys().filter(|machine| terms.wants(machine)) {
        walk.book(machine, terms);
    }
    let before = Query { to: Some(from), ..Query::default() };
    let Some((_, last)) = reader.numbers(&before)? else { return Ok(walk) };
    let newest = |query: Query| -> Result<Option<Found>, StoreError> {
        Ok(reader.last(1, &query)?.pop().filter(|found| found.intact))
    };
    let whole = Query { within: Some((0, last)), ..before };
    walk.latest = newest(whole.clone())?.map_or(from, |found| found.at.wall);
    let service = newest(Query { kinds: vec![RecordKind::Start, RecordKind::Stop], ..whole.clone() })?;
    walk.runs = service.as_ref().is_some_and(|found| found.kind() == Some(RecordKind::Start));
    // Whatever was said before a start or a stop is no longer so.
    let since = service.map_or(0, |found| found.seq);
    for machine in reader.machines()?.iter().filter(|machine| terms.wants(machine)) {
        let Ok(name) = Name::new(machine) else { continue };
        let its = |kind| Query {
            machine: Some(name.clone()),
            kinds: vec![kind],
            within: Some((since, last)),
            ..whole.clone()
        };
        let (outlet, state) = (newest(its(RecordKind::Outlet))?, newest(its(RecordKind::State))?);
        let book = walk.book(machine, terms);
        if let Some(outlet) = &outlet {
            let shortly = WallTime(outlet.at.wall.0.saturating_sub(FOLLOWED_WITHIN_MS));
            let order =
                Query { from: Some(shortly), within: Some((0, outlet.seq)), ..its(RecordKind::Order) };
            newest(order)?.iter().for_each(|order| book.take(RecordKind::Order, order, terms));
            book.take(RecordKind::Outlet, outlet, terms);
        }
        state.iter().for_each(|state| book.take(RecordKind::State, state, terms));
        if newest(Query { within: Some((0, last)), ..its(RecordKind::Job) })?.is_some() {
            walk.book(machine, terms).recorded.always();
        }
    }
    Ok(walk)
}
