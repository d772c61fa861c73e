//! What can be seen of an outlet: its own word, as long as it can be reached at all.

use idlegate_guard::Switch;

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct OutletSight {
    said: Option<Switch>,
    reachable: Reachable,
    said_since_unreachable: bool,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Reachable {
    /// There is no reach topic, or it has said nothing yet.
    #[default]
    Untold,
    Yes,
    No,
}

impl OutletSight {
    pub(super) fn says(&mut self, state: Option<Switch>) {
        self.said = state;
        self.said_since_unreachable = true;
    }

    /// An outlet that was out of reach may have lost power meanwhile; what it said before counts no more.
    pub(super) fn reachable(&mut self, reachable: Option<bool>) {
        match reachable {
            Some(true) => {
                if self.reachable == Reachable::No && !self.said_since_unreachable {
                    self.said = None;
                }
                self.reachable = Reachable::Yes;
            }
            Some(false) | None => {
                self.reachable = Reachable::No;
                self.said_since_unreachable = false;
            }
        }
    }

    /// Nothing where nobody has said.
    pub(super) fn is_reachable(&self) -> Option<bool> {
        match self.reachable {
            Reachable::Untold => None,
            Reachable::Yes => Some(true),
            Reachable::No => Some(false),
        }
    }

    /// It said so last; out of reach it may have been switched on by hand.
    pub(super) fn was_off(&self) -> bool {
        self.said == Some(Switch::Off)
    }

    pub(super) fn state(&self) -> Option<Switch> {
        match self.reachable {
            Reachable::No => None,
            Reachable::Untold | Reachable::Yes => self.said,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outlet_without_an_reach_topic_is_taken_at_its_word() {
        let mut sight = OutletSight::default();
        sight.says(Some(Switch::On));
        assert_eq!(sight.state(), Some(Switch::On));
    }

    #[test]
    fn an_outlet_out_of_reach_is_unknown_even_if_its_last_word_is_delivered_again() {
        let mut sight = OutletSight::default();
        sight.reachable(Some(false));
        sight.says(Some(Switch::On));
        assert_eq!(sight.state(), None);
    }

    #[test]
    fn back_in_reach_it_must_speak_again_before_it_is_believed() {
        let mut sight = OutletSight::default();
        sight.says(Some(Switch::On));
        sight.reachable(Some(true));
        sight.reachable(Some(false));
        sight.reachable(Some(true));
        assert_eq!(sight.state(), None);
        sight.says(Some(Switch::Off));
        assert_eq!(sight.state(), Some(Switch::Off));
    }
}
