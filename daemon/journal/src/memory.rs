//! A journal in memory, for tests and the demo, that fails whenever it is told to.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::change::Entry;
use super::kept::{Answered, Restored};
use super::record::Row;
use super::store::{Backend, OpenFailed, Opened, Store, StoreError};
use idlegate_guard::time::Now;
use idlegate_plan::event::Name;
use idlegate_plan::kept::KeptState;

/// Clones share the same contents: one goes to the journal, one stays with whoever wants to look.
#[derive(Clone, Debug, Default)]
pub struct MemoryBackend(Arc<Mutex<Contents>>);

#[derive(Clone, Debug, Default)]
pub struct Contents {
    /// In order of their sequence.
    pub rows: Vec<Row>,
    pub kept: BTreeMap<Name, KeptState>,
    pub answered: Vec<Answered>,
    /// How often something was stored, in vain or not.
    pub tries: u64,
    /// Every try fails with this.
    pub failing: Option<StoreError>,
    /// The try with this number (counted from 1) fails, once.
    pub failing_try: Option<(u64, StoreError)>,
    /// Opening fails with this.
    pub closed: Option<StoreError>,
}

impl MemoryBackend {
    pub(crate) fn contents(&self) -> MutexGuard<'_, Contents> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Backend for MemoryBackend {
    fn open(&mut self, _now: Now, _found_damaged: Option<&str>) -> Result<Opened, OpenFailed> {
        let contents = self.contents();
        if let Some(error) = &contents.closed {
            return Err(error.clone().into());
        }
        let restored = Restored {
            kept: contents.kept.clone(),
            answered: contents.answered.clone(),
            ..Restored::default()
        };
        Ok(Opened { store: Box::new(self.clone()), restored, set_aside: None })
    }
}

impl Store for MemoryBackend {
    fn store(&mut self, batch: &[&Entry]) -> Result<(), StoreError> {
        let mut contents = self.contents();
        contents.tries += 1;
        if let Some(error) = &contents.failing {
            return Err(error.clone());
        }
        let tries = contents.tries;
        if let Some((_, error)) = contents.failing_try.take_if(|(number, _)| *number == tries) {
            return Err(error);
        }
        for entry in batch {
            contents.rows.extend(entry.rows.iter().cloned());
            for (machine, kept) in &entry.kept {
                if kept.is_empty() {
                    contents.kept.remove(machine);
                } else {
                    contents.kept.insert(machine.clone(), kept.clone());
                }
            }
            contents.answered.extend(entry.answered.iter().cloned());
        }
        Ok(())
    }

    fn tend(&mut self, _now: Now) -> Result<bool, StoreError> {
        match &self.contents().failing {
            Some(error) => Err(error.clone()),
            None => Ok(false),
        }
    }
}
