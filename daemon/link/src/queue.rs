//! What waits for the connection, by urgency.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

use super::outgoing::{NotSent, Outgoing, Urgency};

/// What happened and waits for a slow broker. An emergency off of a whole hall is a decision for each of its machines.
const EVENTS_MAX: usize = 4_096;
/// And their payloads together.
const EVENTS_BYTES_MAX: usize = 8 * 1024 * 1024;
/// What waits for its turn, by urgency and then in order.
///
/// Orders and states have a place each that is never refused: an order's is its outlet, a state's is its topic. What
/// comes later for the same place takes the earlier one's turn. So there are no more of them than the rules have
/// machines and inputs, and a red button for a whole hall leaves no outlet out. Only what happened is counted, and
/// refused when there is too much of it.
#[derive(Debug, Default)]
pub(super) struct Queue {
    emergencies: VecDeque<Arc<str>>,
    orders: VecDeque<Arc<str>>,
    by_outlet: HashMap<Arc<str>, Outgoing>,
    routine: VecDeque<Routine>,
    states: HashMap<Arc<str>, Outgoing>,
    events: usize,
    events_bytes: usize,
}

#[derive(Debug)]
enum Routine {
    Event(Outgoing),
    /// What is in its place when its turn comes.
    State(Arc<str>),
}

impl Queue {
    pub(super) fn push(&mut self, message: Outgoing) -> Result<(), NotSent> {
        match message.urgency {
            Urgency::Emergency | Urgency::Order => self.push_order(message),
            Urgency::Routine if message.retain => {
                self.push_state(message);
                Ok(())
            }
            Urgency::Routine => self.push_event(message),
        }
    }

    /// An emergency off takes the place of whatever waits for its outlet, and gives it up to nothing but another
    /// emergency off: an on that waited must never leave behind it.
    fn push_order(&mut self, message: Outgoing) -> Result<(), NotSent> {
        let outlet = message.outlet.clone().unwrap_or_else(|| Arc::clone(&message.topic));
        let waiting = self.by_outlet.get(&outlet).map(|waiting| waiting.urgency);
        let turns = match (waiting, message.urgency) {
            (Some(Urgency::Emergency), Urgency::Order | Urgency::Routine) => {
                return Err(NotSent::EmergencyWaits);
            }
            (Some(before), now) if before == now => None,
            (Some(_), _) => {
                self.orders.retain(|waiting| *waiting != outlet);
                Some(&mut self.emergencies)
            }
            (None, Urgency::Emergency) => Some(&mut self.emergencies),
            (None, Urgency::Order | Urgency::Routine) => Some(&mut self.orders),
        };
        if let Some(turns) = turns {
            turns.push_back(Arc::clone(&outlet));
        }
        self.by_outlet.insert(outlet, message);
        Ok(())
    }

    fn push_state(&mut self, message: Outgoing) {
        let topic = Arc::clone(&message.topic);
        if self.states.insert(Arc::clone(&topic), message).is_none() {
            self.routine.push_back(Routine::State(topic));
        }
    }

    fn push_event(&mut self, message: Outgoing) -> Result<(), NotSent> {
        let bytes = message.payload.len();
        if self.events >= EVENTS_MAX || self.events_bytes + bytes > EVENTS_BYTES_MAX {
            return Err(NotSent::Full);
        }
        self.events += 1;
        self.events_bytes += bytes;
        self.routine.push_back(Routine::Event(message));
        Ok(())
    }

    pub(super) fn front(&self) -> Option<&Outgoing> {
        if let Some(outlet) = self.emergencies.front().or(self.orders.front()) {
            return self.by_outlet.get(outlet);
        }
        match self.routine.front()? {
            Routine::Event(message) => Some(message),
            Routine::State(topic) => self.states.get(topic),
        }
    }

    pub(super) fn pop(&mut self) -> Option<Outgoing> {
        if let Some(outlet) = self.emergencies.pop_front().or_else(|| self.orders.pop_front()) {
            return self.by_outlet.remove(&outlet);
        }
        match self.routine.pop_front()? {
            Routine::Event(message) => {
                self.events -= 1;
                self.events_bytes -= message.payload.len();
                Some(message)
            }
            Routine::State(topic) => self.states.remove(&topic),
        }
    }

    /// An order that is not an emergency's gives way: an emergency off for its outlet goes another way, and may be
    /// faster.
    pub(super) fn withdraw(&mut self, outlet: &Arc<str>) {
        if self.by_outlet.get(outlet).is_some_and(|waiting| waiting.urgency != Urgency::Emergency) {
            self.by_outlet.remove(outlet);
            self.orders.retain(|waiting| waiting != outlet);
        }
    }

    pub(super) fn holds_emergency_for(&self, outlet: &Arc<str>) -> bool {
        self.by_outlet.get(outlet).is_some_and(|waiting| waiting.urgency == Urgency::Emergency)
    }

    pub(super) fn holds_emergencies(&self) -> bool {
        !self.emergencies.is_empty()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.front().is_none()
    }
}

#[cfg(test)]
mod tests {
    use bytes::Bytes;

    use super::super::outgoing::OUTGOING_BYTES_MAX;
    use super::*;
    use idlegate_guard::time::{Moment, Span};

    fn off() -> Outgoing {
        Outgoing::order("outlet/order", Bytes::from_static(b"off"), Span::secs(2), Moment(10_000))
    }

    #[test]
    fn an_order_goes_ahead_of_status_and_an_emergency_ahead_of_both() {
        let mut queue = Queue::default();
        let status = Outgoing::state("status", Bytes::new(), Moment(0));
        let emergency = to("kiln/order", "off", Urgency::Emergency);
        for message in [status.clone(), off(), emergency.clone()] {
            queue.push(message).unwrap();
        }
        assert_eq!(queue.front(), Some(&emergency));
        assert_eq!(
            [queue.pop(), queue.pop(), queue.pop(), queue.pop()],
            [Some(emergency), Some(off()), Some(status), None]
        );
        assert!(queue.is_empty());
    }

    fn to(outlet: &str, word: &'static str, urgency: Urgency) -> Outgoing {
        let order = Outgoing::order(outlet, Bytes::from_static(word.as_bytes()), Span::secs(2), Moment(0));
        Outgoing { urgency, ..order }
    }

    fn words(queue: &mut Queue) -> Vec<String> {
        let left = std::iter::from_fn(|| queue.pop());
        left.map(|sent| format!("{} {}", sent.topic, String::from_utf8_lossy(&sent.payload))).collect()
    }

    #[test]
    fn a_red_button_for_a_whole_hall_leaves_no_outlet_out() {
        let mut queue = Queue::default();
        for _press in 0..3 {
            for outlet in 0..5_000 {
                queue.push(to(&format!("outlets/{outlet}"), "off", Urgency::Emergency)).unwrap();
            }
        }
        let sent: std::collections::BTreeSet<String> = words(&mut queue).into_iter().collect();
        assert_eq!(sent.len(), 5_000);
    }

    #[test]
    fn no_order_leaves_behind_an_emergency_off_for_the_same_outlet() {
        let mut queue = Queue::default();
        queue.push(to("mill", "on", Urgency::Order)).unwrap();
        queue.push(to("kiln", "off", Urgency::Order)).unwrap();
        queue.push(to("mill", "off", Urgency::Emergency)).unwrap();
        assert_eq!(queue.push(to("mill", "on", Urgency::Order)), Err(NotSent::EmergencyWaits));
        queue.push(to("mill", "off", Urgency::Emergency)).unwrap();
        assert_eq!(words(&mut queue), ["mill off", "kiln off"]);
    }

    #[test]
    fn of_two_orders_for_one_outlet_the_later_goes_in_the_turn_of_the_earlier() {
        let mut queue = Queue::default();
        for (outlet, word) in [("mill", "off"), ("kiln", "off"), ("mill", "on")] {
            queue.push(to(outlet, word, Urgency::Order)).unwrap();
        }
        assert_eq!(words(&mut queue), ["mill on", "kiln off"]);
        // Two sockets of a strip that share a topic.
        for (outlet, word) in [("left", "1-off"), ("right", "2-off")] {
            let order = Outgoing { outlet: Some(outlet.into()), ..to("strip", word, Urgency::Order) };
            queue.push(order).unwrap();
        }
        assert_eq!(words(&mut queue), ["strip 1-off", "strip 2-off"]);
    }

    #[test]
    fn a_plain_order_is_taken_back_and_an_emergency_off_is_not() {
        let mut queue = Queue::default();
        queue.push(to("mill", "on", Urgency::Order)).unwrap();
        queue.push(to("kiln", "off", Urgency::Emergency)).unwrap();
        queue.withdraw(&"mill".into());
        queue.withdraw(&"kiln".into());
        assert!(queue.holds_emergency_for(&"kiln".into()) && !queue.holds_emergency_for(&"mill".into()));
        assert_eq!(words(&mut queue), ["kiln off"]);
    }

    #[test]
    fn the_newest_state_goes_and_events_that_pile_up_leave_room_for_states_and_orders() {
        let mut queue = Queue::default();
        let state =
            |word: &'static str| Outgoing::state("kept/mill", Bytes::from_static(word.as_bytes()), Moment(0));
        let event = || Outgoing::event("decision", Bytes::new(), Moment(0));
        queue.push(state("free")).unwrap();
        for _ in 0..EVENTS_MAX {
            queue.push(event()).unwrap();
        }
        assert_eq!(queue.push(event()), Err(NotSent::Full));
        assert_eq!((queue.push(state("locked")), queue.push(off())), (Ok(()), Ok(())));
        let sent = words(&mut queue);
        assert_eq!(sent[..3], ["outlet/order off", "kept/mill locked", "decision "]);
        assert_eq!((sent.len(), queue.events, queue.events_bytes), (EVENTS_MAX + 2, 0, 0));
        let large = Bytes::from(vec![0; OUTGOING_BYTES_MAX]);
        let fit =
            std::iter::from_fn(|| queue.push(Outgoing::event("decision", large.clone(), Moment(0))).ok());
        assert_eq!(fit.count(), EVENTS_BYTES_MAX / OUTGOING_BYTES_MAX);
    }
}
