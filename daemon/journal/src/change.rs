//! What is handed to the journal in one piece: stored as a whole or not at all.

use super::kept::Answered;
use super::record::{Durability, Record, Row};
use idlegate_plan::event::Name;
use idlegate_plan::kept::KeptState;

/// Records together with the kept state they tell of, in one transaction: an answer that says "locked" and the
/// lockout itself cannot come apart.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Change {
    pub records: Vec<Record>,
    pub kept: Vec<(Name, KeptState)>,
    pub answered: Vec<Answered>,
}

impl Change {
    #[must_use]
    pub fn recording(mut self, record: Record) -> Change {
        self.records.push(record);
        self
    }

    /// All that is kept of this machine from now on.
    #[must_use]
    pub fn keeping(mut self, machine: Name, kept: KeptState) -> Change {
        self.kept.push((machine, kept));
        self
    }

    /// This event is answered and must not be acted on again.
    #[must_use]
    pub fn answering(mut self, answered: Answered) -> Change {
        self.answered.push(answered);
        self
    }

    pub(super) fn durability(&self) -> Durability {
        if !self.kept.is_empty() {
            return Durability::AtOnce;
        }
        self.records.iter().map(|record| record.durability).max().unwrap_or_default()
    }
}

impl From<Record> for Change {
    fn from(record: Record) -> Change {
        Change::default().recording(record)
    }
}

/// A change with its bodies already bounded: what queues and stores hold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Entry {
    pub rows: Vec<Row>,
    pub kept: Vec<(Name, KeptState)>,
    pub answered: Vec<Answered>,
}

impl Entry {
    pub(super) fn of(change: Change) -> Entry {
        let rows = change.records.iter().map(Row::of).collect();
        Entry { rows, kept: change.kept, answered: change.answered }
    }

    /// About what it occupies in memory.
    pub(super) fn bytes(&self) -> usize {
        const EACH: usize = 160;
        let bodies: usize = self.rows.iter().map(|row| row.body.len() + EACH).sum();
        bodies + EACH * (1 + self.kept.len() + 2 * self.answered.len())
    }

    pub(super) fn is_empty(&self) -> bool {
        self.rows.is_empty() && self.kept.is_empty() && self.answered.is_empty()
    }
}
