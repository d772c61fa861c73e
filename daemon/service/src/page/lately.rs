//! What people were told last, and what has not ended yet.

use std::collections::VecDeque;

use serde::Serialize;

use idlegate_engine::Subject;
use idlegate_guard::time::WallTime;
use idlegate_messages::{Decision, Told};
use idlegate_plan::text::parse_time;

/// Nobody reads more of it here; the journal has all.
const KEPT_MAX: usize = 12;
const OPEN_MAX: usize = 50;
/// The same sentence as an incident and as an announcement is one.
const SAME_MILLIS: u64 = 5_000;

#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Entry {
    pub(super) at: i64,
    pub(super) sentence: String,
    pub(super) urgent: bool,
}

/// The newest first.
#[derive(Debug, Default)]
pub(super) struct Lately(VecDeque<Entry>);

impl Lately {
    /// Nothing if it was there.
    pub(super) fn add(&mut self, entry: Entry) -> Option<Entry> {
        let same =
            |other: &Entry| other.sentence == entry.sentence && entry.at.abs_diff(other.at) < SAME_MILLIS;
        if entry.sentence.is_empty() || self.0.iter().any(same) {
            return None;
        }
        let place = self.0.iter().position(|other| other.at <= entry.at).unwrap_or(self.0.len());
        self.0.insert(place, entry.clone());
        self.0.truncate(KEPT_MAX);
        self.0.contains(&entry).then_some(entry)
    }

    pub(super) fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.0.iter()
    }
}

pub(super) fn told(told: &Told, now: WallTime) -> Entry {
    let at = parse_time(&told.at).unwrap_or(now).0;
    Entry { at, sentence: told.sentence.clone(), urgent: told.urgent }
}

/// Where nobody is told but by this: a plain switching on or off.
pub(super) fn decided(decision: &Decision, now: WallTime) -> Option<Entry> {
    let plain = matches!(&*decision.reason, "switching-on" | "machine-idle" | "deferral-due");
    let at = parse_time(&decision.at).unwrap_or(now).0;
    let entry = Entry { at, sentence: decision.sentence.clone(), urgent: false };
    (decision.decision == "acted" && plain).then_some(entry)
}

/// Incidents that go on and are not about one machine, whose status names its own.
#[derive(Debug, Default)]
pub(super) struct Open(Vec<Told>);

impl Open {
    /// Whether it is one of these.
    pub(super) fn take(&mut self, told: &Told) -> bool {
        if is_of_a_machine(&told.kind) {
            return false;
        }
        self.0.retain(|open| (&open.kind, &open.input) != (&told.kind, &told.input));
        if !told.over {
            self.0.push(told.clone());
        }
        if self.0.len() > OPEN_MAX {
            self.0.remove(0);
        }
        true
    }

    pub(super) fn sentences(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|told| told.sentence.as_str())
    }
}

/// The kinds that a machine's status lists as long as they last.
pub(super) fn is_of_a_machine(kind: &str) -> bool {
    let of_outlets =
        matches!(kind, "on-by-another-route" | "off-by-another-route" | "not-confirmed" | "still-drawing");
    let others = [
        Subject::Blind,
        Subject::ForeignOrder,
        Subject::DetectorStopped,
        Subject::Warning,
        Subject::NeededMachineOff,
    ];
    of_outlets || others.iter().any(|of| of.word() == kind)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(at: i64, sentence: &str) -> Entry {
        Entry { at, sentence: sentence.to_owned(), urgent: false }
    }

    #[test]
    fn the_newest_stand_first_and_the_same_twice_is_one() {
        let mut lately = Lately::default();
        for at in 0..20 {
            assert!(lately.add(entry(at * 10_000, "Mill stays on.")).is_some());
        }
        assert!(lately.add(entry(190_004, "Mill stays on.")).is_none());
        assert!(lately.add(entry(5, "long ago")).is_none(), "there is no room for it");
        let times: Vec<i64> = lately.entries().map(|entry| entry.at).collect();
        assert_eq!(times, (8..20).rev().map(|at| at * 10_000).collect::<Vec<_>>());
    }

    #[test]
    fn what_is_over_is_open_no_more() {
        let mut open = Open::default();
        let told = |kind: &'static str, input: &str, over| Told {
            kind: kind.into(),
            input: Some(input.to_owned()),
            over,
            sentence: format!("{kind} of {input}"),
            ..Told::default()
        };
        assert!(open.take(&told("flood", "panel", false)));
        assert!(open.take(&told("flood", "door", false)));
        assert!(open.take(&told("flood", "panel", true)));
        assert_eq!(open.sentences().collect::<Vec<_>>(), ["flood of door"]);
        assert!(!open.take(&told("not-confirmed", "door", false)));
        for number in 0..200 {
            open.take(&told("flood", &number.to_string(), false));
        }
        assert_eq!(open.sentences().count(), OPEN_MAX);
    }
}
