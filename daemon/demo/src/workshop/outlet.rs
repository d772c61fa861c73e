//! A switched outlet: it obeys absolute orders after a while, reports what it did, and has a button of its own.
//!
//! The button is the route that no guard can bar, only notice. Faults are settings, so that a test says what
//! fails and a demo has none. Nothing here reads a clock.

use std::collections::VecDeque;

use super::chance::Chance;
use idlegate_guard::Switch;
use idlegate_guard::time::{Moment, Span};

/// Orders and reports under way at once; a real outlet drops what comes beyond, and so does this one.
const PENDING_MAX: usize = 16;

#[derive(Clone, Debug)]
pub struct OutletModel {
    relay: Switch,
    timing: OutletTiming,
    pub faults: OutletFaults,
    chance: Chance,
    pending: VecDeque<OutletEvent>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutletTiming {
    /// From an order's arrival to the relay.
    pub acts_after: Span,
    /// From the relay to the report.
    pub reports_after: Span,
}

impl Default for OutletTiming {
    fn default() -> OutletTiming {
        OutletTiming { acts_after: Span(120), reports_after: Span(250) }
    }
}

/// What is wrong with an outlet; by default nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OutletFaults {
    /// Hears nothing and says nothing; the relay stays as it is, and its button still works.
    pub dead: bool,
    /// The share of orders that never arrive.
    pub loses_orders: f64,
    /// Every report comes this much later.
    pub reports_late: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutletEvent {
    pub at: Moment,
    pub kind: OutletEventKind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutletEventKind {
    /// The relay takes this position.
    Relay(Switch),
    /// The outlet says that the relay has this position.
    Report(Switch),
}

impl OutletModel {
    pub fn new(relay: Switch, timing: OutletTiming, chance: Chance) -> OutletModel {
        OutletModel { relay, timing, faults: OutletFaults::default(), chance, pending: VecDeque::new() }
    }

    pub fn relay(&self) -> Switch {
        self.relay
    }

    /// An order arrives.
    pub fn order(&mut self, switch: Switch, now: Moment) {
        if self.faults.dead || self.chance.happens(self.faults.loses_orders) {
            return;
        }
        self.schedule(now + self.timing.acts_after, OutletEventKind::Relay(switch));
    }

    /// Somebody presses the button on the outlet itself.
    pub fn press_own_button(&mut self, now: Moment) {
        let other = match self.relay {
            Switch::On => Switch::Off,
            Switch::Off => Switch::On,
        };
        self.schedule(now, OutletEventKind::Relay(other));
    }

    /// Says its state without having been switched, as outlets do when they find their broker again.
    pub fn report(&mut self, now: Moment) {
        let due = now + self.timing.reports_after + self.faults.reports_late;
        if !self.faults.dead {
            self.schedule(due, OutletEventKind::Report(self.relay));
        }
    }

    pub fn next_event(&self) -> Option<Moment> {
        self.pending.front().map(|event| event.at)
    }

    /// Takes the next event that is due by `to`. One at a time, so that the machine behind the relay can be
    /// brought to the same moment.
    pub(crate) fn take_event(&mut self, to: Moment) -> Option<OutletEvent> {
        if self.next_event()? > to {
            return None;
        }
        let event = self.pending.pop_front()?;
        if let OutletEventKind::Relay(switch) = event.kind {
            self.relay = switch;
            self.report(event.at);
        }
        Some(event)
    }

    fn schedule(&mut self, at: Moment, kind: OutletEventKind) {
        if self.pending.len() < PENDING_MAX {
            let place = self.pending.partition_point(|event| event.at <= at);
            self.pending.insert(place, OutletEvent { at, kind });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn outlet() -> OutletModel {
        OutletModel::new(Switch::On, OutletTiming::default(), Chance::new(1))
    }

    fn events(outlet: &mut OutletModel, to: u64) -> Vec<(u64, OutletEventKind)> {
        std::iter::from_fn(|| outlet.take_event(Moment(to))).map(|event| (event.at.0, event.kind)).collect()
    }

    #[test]
    fn an_order_moves_the_relay_and_the_report_follows() {
        let mut outlet = outlet();
        outlet.order(Switch::Off, Moment(1_000));
        assert_eq!(events(&mut outlet, 1_119), []);
        assert_eq!(outlet.relay(), Switch::On);
        let expected =
            [(1_120, OutletEventKind::Relay(Switch::Off)), (1_370, OutletEventKind::Report(Switch::Off))];
        assert_eq!(events(&mut outlet, 2_000), expected);
    }

    #[test]
    fn an_order_for_the_state_it_has_is_confirmed_all_the_same() {
        let mut outlet = outlet();
        outlet.order(Switch::On, Moment(0));
        assert!(events(&mut outlet, 1_000).contains(&(370, OutletEventKind::Report(Switch::On))));
    }

    #[test]
    fn its_own_button_is_another_route() {
        let mut outlet = outlet();
        outlet.press_own_button(Moment(0));
        outlet.take_event(Moment(0));
        assert_eq!(outlet.relay(), Switch::Off);
        outlet.press_own_button(Moment(10));
        events(&mut outlet, 1_000);
        assert_eq!(outlet.relay(), Switch::On);
    }

    #[test]
    fn a_dead_outlet_hears_and_says_nothing_but_its_button_still_cuts() {
        let mut outlet = outlet();
        outlet.faults.dead = true;
        outlet.order(Switch::Off, Moment(0));
        outlet.report(Moment(0));
        assert_eq!(events(&mut outlet, 10_000), []);
        outlet.press_own_button(Moment(10_000));
        assert_eq!(events(&mut outlet, 20_000), [(10_000, OutletEventKind::Relay(Switch::Off))]);
    }

    #[test]
    fn faults_lose_orders_and_delay_reports() {
        let mut outlet = outlet();
        outlet.faults = OutletFaults { loses_orders: 1.0, ..OutletFaults::default() };
        outlet.order(Switch::Off, Moment(0));
        assert_eq!(events(&mut outlet, 10_000), []);
        outlet.faults = OutletFaults { reports_late: Span::secs(9), ..OutletFaults::default() };
        outlet.order(Switch::Off, Moment(0));
        assert_eq!(events(&mut outlet, 9_369).len(), 1);
        assert_eq!(events(&mut outlet, 9_370), [(9_370, OutletEventKind::Report(Switch::Off))]);
    }
}
