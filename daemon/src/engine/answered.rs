//! Ids of events that have been answered, so that one delivered again, even after a restart, changes nothing.

use std::collections::{HashSet, VecDeque};
use std::sync::Arc;

use crate::event::Name;

/// An id pushed out by this many newer ones could be answered twice; the repeat guard and the age limit of
/// requests stand behind it.
const IDS_MAX: usize = 4_096;

#[derive(Debug, Default)]
pub(super) struct Answered {
    known: HashSet<(Name, Arc<str>)>,
    order: VecDeque<(Name, Arc<str>)>,
}

impl Answered {
    pub(super) fn new(former: &[(Name, Arc<str>)]) -> Answered {
        let mut answered = Answered::default();
        for (input, id) in former {
            answered.note(input, id);
        }
        answered
    }

    /// False if this id was known already.
    pub(super) fn note(&mut self, input: &Name, id: &Arc<str>) -> bool {
        let key = (input.clone(), id.clone());
        if !self.known.insert(key.clone()) {
            return false;
        }
        self.order.push_back(key);
        if self.order.len() > IDS_MAX
            && let Some(oldest) = self.order.pop_front()
        {
            self.known.remove(&oldest);
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_counts_once_per_input_and_old_ones_are_forgotten() {
        let mut answered = Answered::default();
        let (button, panel) = (Name::new("button").unwrap(), Name::new("panel").unwrap());
        let first: Arc<str> = "0".into();
        assert!(answered.note(&button, &first));
        assert!(!answered.note(&button, &first));
        assert!(answered.note(&panel, &first));
        for id in 1..=IDS_MAX {
            answered.note(&button, &id.to_string().into());
        }
        assert_eq!(answered.known.len(), IDS_MAX);
        assert!(answered.note(&button, &first));
    }
}
