//! Whether the broker keeps what it is given to keep. As far as that can be told: after a broken connection it should
//! have our notes.

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct BrokerStore {
    /// Over an earlier connection something was given to it to keep.
    given: bool,
    /// It has sent something from its store over this one.
    has_some: bool,
    forgets: bool,
}

impl BrokerStore {
    pub(super) fn heard(&mut self) {
        self.has_some = true;
    }

    /// The connection is proved: whatever was in store has been heard. `publishes` says that we give it something now.
    pub(super) fn up(&mut self, publishes: bool) {
        if self.given && !self.has_some && !self.forgets {
            self.forgets = true;
            tracing::error!(
                "the broker came back without what it had stored, lockouts included; switch its persistence on (Mosquitto: \
                 persistence true, autosave_interval 1)"
            );
        }
        self.given |= publishes;
    }

    pub(super) fn down(&mut self) {
        self.has_some = false;
    }

    pub(super) fn forgets(self) -> bool {
        self.forgets
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broker_forgets_if_it_comes_back_with_nothing() {
        for (heard_again, forgets) in [(true, false), (false, true)] {
            let mut store = BrokerStore::default();
            store.up(true);
            assert!(!store.forgets(), "at first there is nothing to keep");
            store.down();
            if heard_again {
                store.heard();
            }
            store.up(true);
            assert_eq!(store.forgets(), forgets);
        }
    }
}
