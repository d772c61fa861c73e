//! How the silences of each machine went on before this run, from the journal. Nothing waits for it.

use std::path::Path;

use tokio::sync::mpsc::{self, UnboundedReceiver};

use super::Service;
use crate::journalling::JOURNAL_FILE;
use idlegate_engine::Counted;
use idlegate_guard::time::Span;
use idlegate_journal::{JournalReader, RecordKind};
use idlegate_messages::{Silence, SilencesSoFar};
use idlegate_plan::Plan;
use idlegate_plan::event::Name;

/// The newest record of a silence says it all. Where none is among so many records of a machine, it is counted anew.
const AMONG: usize = 1_000;

pub(super) type CountedBefore = UnboundedReceiver<Vec<(Name, Counted)>>;

/// Reads on a thread of its own, since a disk may be slow, and tells once.
pub(super) fn counted_before(state_dir: Option<&Path>, plan: &Plan) -> CountedBefore {
    let (tell, counted) = mpsc::unbounded_channel();
    let Some(file) = state_dir.map(|dir| dir.join(JOURNAL_FILE)) else { return counted };
    let machines: Vec<Name> = plan.machines.iter().map(|machine| machine.name.clone()).collect();
    let read = move || {
        let Ok(reader) = JournalReader::open(&file) else { return };
        let found =
            machines.into_iter().filter_map(|machine| Some((machine.clone(), newest(&reader, &machine)?)));
        drop(tell.send(found.collect()));
    };
    if let Err(error) = std::thread::Builder::new().name("silences".into()).spawn(read) {
        tracing::warn!(%error, "how silences went on before is not known; they are counted anew");
    }
    counted
}

fn newest(reader: &JournalReader, machine: &Name) -> Option<Counted> {
    let found = reader.newest_of(machine, RecordKind::Silence, AMONG).ok()??;
    let SilencesSoFar { dwell_ms, finished, settings, went_on } = found.read::<Silence>().so_far?;
    Some(Counted { settings, dwell: Span(dwell_ms), finished, went_on })
}

impl Service {
    pub(super) fn take_counted(&mut self, counted: &[(Name, Counted)]) {
        for (machine, counted) in counted {
            self.engine.recall_counted(machine, counted);
        }
    }
}
