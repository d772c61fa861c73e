//! What is recorded of messages on an input's topic that were no request: each of them may have been meant as one, but
//! a flood of them must not push older records out of the journal.

use std::collections::BTreeMap;

use idlegate_engine::Rejected;
use idlegate_guard::time::{Moment, Span};
use idlegate_plan::event::Name;

/// Recorded one by one, of one input in one stretch of time; the rest of the stretch is one record that says how many
/// there were.
const SINGLE_MAX: u32 = 10;
const STRETCH: Span = Span::secs(60);

/// A message that was refused, and for how many it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Told {
    pub(super) rejected: Rejected,
    pub(super) count: u64,
}

/// One for each input of the rules that got nonsense of late.
#[derive(Debug, Default)]
pub(super) struct Rejections {
    stretches: BTreeMap<Name, Stretch>,
}

#[derive(Debug)]
struct Stretch {
    began: Moment,
    single: u32,
    /// The newest that was not recorded by itself, with their number.
    rest: Option<Told>,
}

impl Rejections {
    /// What to record of it now, if anything.
    pub(super) fn refused(&mut self, rejected: &Rejected) -> Option<Told> {
        let input = rejected.input.clone()?;
        let began = rejected.at.moment;
        let stretch = self.stretches.entry(input).or_insert(Stretch { began, single: 0, rest: None });
        if stretch.single < SINGLE_MAX {
            stretch.single += 1;
            return Some(Told { rejected: rejected.clone(), count: 1 });
        }
        let count = stretch.rest.as_ref().map_or(0, |rest| rest.count) + 1;
        stretch.rest = Some(Told { rejected: rejected.clone(), count });
        None
    }

    /// What has not been recorded of stretches that are over.
    pub(super) fn due(&mut self, now: Moment) -> Vec<Told> {
        let over: Vec<Name> = self
            .stretches
            .iter()
            .filter(|(_, stretch)| now.since(stretch.began) >= STRETCH)
            .map(|(input, _)| input.clone())
            .collect();
        over.iter().filter_map(|input| self.stretches.remove(input)?.rest).collect()
    }

    /// All that has not been recorded, at the end of the program.
    pub(super) fn rest(&mut self) -> Vec<Told> {
        std::mem::take(&mut self.stretches).into_values().filter_map(|stretch| stretch.rest).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_guard::time::{Now, WallTime};

    fn nonsense(input: &str, at: u64) -> Rejected {
        let at = Now { moment: Moment(at), wall: WallTime(0) };
        let input = Some(Name::new(input).unwrap());
        Rejected { at, topic: "buttons/bench".into(), fault: "not JSON".to_owned(), input }
    }

    #[test]
    fn a_flood_is_a_few_records_and_no_message_is_left_uncounted() {
        let mut rejections = Rejections::default();
        let (mut records, mut counted) = (0, 0);
        for at in 0..600_000 {
            let told =
                rejections.due(Moment(at)).into_iter().chain(rejections.refused(&nonsense("bench", at)));
            for told in told {
                records += 1;
                counted += told.count;
            }
        }
        let last = rejections.rest();
        assert_eq!(records + last.len(), 10 * 11, "ten minutes");
        assert_eq!(counted + last.iter().map(|told| told.count).sum::<u64>(), 600_000);
        assert!(
            rejections.refused(&nonsense("bench", 600_001)).is_some(),
            "after a flood each one counts again"
        );
    }

    #[test]
    fn a_flood_of_one_input_hides_nothing_of_another() {
        let mut rejections = Rejections::default();
        (0..1_000).for_each(|at| drop(rejections.refused(&nonsense("bench", at))));
        assert_eq!(rejections.refused(&nonsense("panel", 1_000)).map(|told| told.count), Some(1));
    }
}
