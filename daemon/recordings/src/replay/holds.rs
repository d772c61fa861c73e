//! What the journal knew of a machine's silences when a replay begins: without it, a machine that was held longer than
//! its detectors ask for would be let go in a replay.

use std::time::Duration;

use idlegate_engine::{Former, KeptMachine, fingerprint, held_longer};
use idlegate_guard::time::{Span, WallTime};
use idlegate_journal::{JournalReader, Query, RecordKind, StoreError};
use idlegate_messages::Silence;
use idlegate_plan::kept::{HeldLonger, KeptState};
use idlegate_plan::{Machine, Plan};

/// The longest hold of each machine that was learned before this time under just these settings.
pub fn holds_before(reader: &JournalReader, at: WallTime, plan: &Plan) -> Result<Former, StoreError> {
    let learned = |machine: &Machine| -> Result<Option<KeptMachine>, StoreError> {
        let settings = fingerprint(machine);
        let query = Query {
            to: Some(at),
            machine: Some(machine.name.clone()),
            kinds: vec![RecordKind::Silence],
            ..Query::default()
        };
        let mut longest: Option<HeldLonger> = None;
        for found in reader.records(&query) {
            let found = found?;
            let idle_for = resumed_after(&found.read(), &settings).filter(|_| found.intact);
            let longer = idle_for.map(|idle_for| held_longer(idle_for, found.at.wall, settings.clone()));
            longest = longest.into_iter().chain(longer).max_by_key(|longer| (longer.by, longer.since));
        }
        let state = |longer| KeptState { longer: Some(longer), ..KeptState::default() };
        Ok(longest.map(|longer| KeptMachine { machine: machine.name.clone(), state: state(longer) }))
    };
    let machines = plan.machines.iter().filter_map(|machine| learned(machine).transpose());
    Ok(Former { machines: machines.collect::<Result<_, _>>()?, ..Former::default() })
}

/// So long after it counted as idle it went back to work, if it did, and under these settings.
fn resumed_after(silence: &Silence, settings: &str) -> Option<Span> {
    let same = silence.so_far.as_ref().is_some_and(|so_far| so_far.settings == settings);
    let is_such = same && &*silence.end == "back-to-work";
    let secs = silence.idle_for_s.filter(|secs| is_such && (0.0..1e6).contains(secs))?;
    Some(Duration::from_secs_f64(secs).into())
}
