//! The marker barrier: an upper bound for how long a message waited before we looked at it.
//!
//! A press that waited a minute in a socket, because the link was frozen or because we were, must not be taken
//! for a press of now; and nothing in it tells. So every quarter of a second we send ourselves a marker over
//! the broker, and argue:
//!
//! 1. Each marker carries a fresh random token, and its sending time is read *before* it is handed out. So a
//!    token can stand in the broker's stream to us only after that time, whoever put it there.
//! 2. Markers and inputs are subscribed with quality of service 0, for which a broker keeps one queue for
//!    each client, in order of arrival; TCP and the client library keep that order. So what stands behind an
//!    echo in the stream came to the broker's queue after the echo did. The standard promises this order only
//!    within a topic (4.6); the brokers we test against keep it across topics, and a test holds them to it.
//! 3. Hence a message that we read after the echo of a marker sent at `S` entered the stream at `S` or later,
//!    and its age at any later time `T` is at most `T - S`. Before the first echo, `S` is the time before
//!    the connection was asked for, since a clean start brings nothing that is older, save retained messages,
//!    which are marked as such.
//! 4. `T` is read when the message leaves our own last queue, not when it left the socket, on a clock that
//!    counts suspension. A process that was stopped for a minute therefore sees at least a minute on all that
//!    waited: the last echo it had read was sent before it was stopped.
//! 5. On a healthy link the bound is one interval and one round trip, about 0.3 s. It errs only towards old:
//!    what arrives just after a freeze looks old until the next echo, and is not acted on.
//!
//! What it cannot see is delay before the broker's queue to us: that needs a time or counter of the sender's.

use std::collections::VecDeque;

use idlegate_guard::time::{Moment, Span};

/// How often a marker is sent.
pub(crate) const MARKER_INTERVAL: Span = Span(250);
/// No more than these are remembered without an answer; while as many are missing, none is sent.
const UNANSWERED_MAX: usize = 64;

/// So many markers, in order of sending. Times cannot say which of two came first: a broker on the same computer
/// answers within the millisecond.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Markers(pub(super) u64);

/// See the module. Pure: it is told the time and the tokens.
#[derive(Debug)]
pub(super) struct Barrier {
    /// What is read from now on entered the stream at this time or later.
    since: Moment,
    /// In order of sending.
    unanswered: VecDeque<Marker>,
    sent: Markers,
    /// As many of them as had been sent when the last one that came back was.
    returned: Markers,
}

#[derive(Debug)]
struct Marker {
    token: u64,
    number: Markers,
    sent: Moment,
}

impl Barrier {
    /// For a connection that will be asked for after `now`.
    pub(super) fn new(now: Moment) -> Barrier {
        Barrier {
            since: now,
            unanswered: VecDeque::new(),
            sent: Markers::default(),
            returned: Markers::default(),
        }
    }

    /// To be called before the marker is handed out. False: too many are missing, do not send it.
    pub(super) fn send(&mut self, token: u64, now: Moment) -> bool {
        if self.unanswered.len() >= UNANSWERED_MAX {
            return false;
        }
        self.sent.0 += 1;
        self.unanswered.push_back(Marker { token, number: self.sent, sent: now });
        true
    }

    /// The marker could not be handed out after all.
    pub(super) fn take_back(&mut self, token: u64) {
        self.unanswered.retain(|marker| marker.token != token);
    }

    /// A token was read from the stream. True when it is one that we wait for. Markers before it are given up:
    /// they can only come later, and would prove less.
    pub(super) fn echo(&mut self, token: u64) -> bool {
        let Some(at) = self.unanswered.iter().position(|marker| marker.token == token) else {
            return false;
        };
        if let Some(marker) = self.unanswered.drain(..=at).next_back() {
            self.since = self.since.max(marker.sent);
            self.returned = marker.number;
        }
        true
    }

    /// What is read now entered the stream at this time or later.
    pub(super) fn since(&self) -> Moment {
        self.since
    }

    /// As many as were sent until now.
    pub(super) fn sent(&self) -> Markers {
        self.sent
    }

    /// What is read now entered the stream after so many had been sent.
    pub(super) fn returned(&self) -> Markers {
        self.returned
    }

    /// At least one marker came back.
    pub(super) fn proved(&self) -> bool {
        self.returned > Markers::default()
    }

    /// How long the oldest missing marker has been on its way.
    pub(super) fn waiting(&self, now: Moment) -> Span {
        self.unanswered.front().map_or(Span::ZERO, |marker| now.since(marker.sent))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    enum Step {
        Send(u64, u64),
        Echo(u64, bool),
        /// At this time, a message read now would be this old at most.
        Age(u64, u64),
        Waiting(u64, u64),
    }
    use Step::{Age, Echo, Send, Waiting};

    #[test]
    fn the_age_is_never_less_than_the_time_a_message_may_have_waited() {
        let table: &[(&str, &[Step])] = &[
            (
                "before the first echo, since the connection was asked for",
                &[Age(1_300, 300), Send(1, 1_400), Age(2_000, 1_000)],
            ),
            (
                "after an echo, since that marker was sent, not since it came",
                &[Send(1, 1_250), Echo(1, true), Age(1_260, 10), Age(1_900, 650)],
            ),
            (
                "a process stopped for a minute sees a minute on what waited",
                &[
                    Send(1, 1_250),
                    Echo(1, true),
                    Send(2, 1_500),
                    // stopped here; the press waits behind the echo of 2
                    Age(61_500, 60_250),
                    Echo(2, true),
                    Age(61_500, 60_000),
                    Send(3, 61_500),
                    Age(61_501, 60_001),
                    Echo(3, true),
                    Age(61_502, 2),
                ],
            ),
            (
                "a token nobody sent, or that already came, proves nothing",
                &[
                    Send(1, 1_250),
                    Echo(7, false),
                    Age(2_000, 1_000),
                    Echo(1, true),
                    Send(2, 1_500),
                    Echo(1, false),
                    Age(2_000, 750),
                ],
            ),
            (
                "a lost marker is skipped, and a late one does not turn back time",
                &[
                    Send(1, 1_250),
                    Send(2, 1_500),
                    Send(3, 1_750),
                    Echo(2, true),
                    Age(1_800, 300),
                    Echo(1, false),
                    Age(1_800, 300),
                    Waiting(1_800, 50),
                ],
            ),
            (
                "nothing missing, nothing waiting",
                &[Waiting(9_000, 0), Send(1, 1_250), Waiting(9_000, 7_750), Echo(1, true), Waiting(9_000, 0)],
            ),
        ];
        for (rule, steps) in table {
            let mut barrier = Barrier::new(Moment(1_000));
            for (index, step) in steps.iter().enumerate() {
                match *step {
                    Send(token, at) => assert!(barrier.send(token, Moment(at)), "{rule}, step {index}"),
                    Echo(token, ours) => assert_eq!(barrier.echo(token), ours, "{rule}, step {index}"),
                    Age(at, most) => {
                        assert_eq!(Moment(at).since(barrier.since()), Span(most), "{rule}, step {index}");
                    }
                    Waiting(at, span) => {
                        assert_eq!(barrier.waiting(Moment(at)), Span(span), "{rule}, step {index}")
                    }
                }
            }
        }
    }

    #[test]
    fn markers_without_answer_are_bounded() {
        let mut barrier = Barrier::new(Moment(0));
        for token in 0..64 {
            assert!(barrier.send(token, Moment(token)));
        }
        assert!(!barrier.send(64, Moment(64)));
        assert!(!barrier.proved());
        assert!(barrier.echo(63));
        assert!(barrier.proved() && barrier.send(65, Moment(65)));
    }

    #[test]
    fn a_marker_taken_back_is_not_waited_for() {
        let mut barrier = Barrier::new(Moment(0));
        assert!(barrier.send(1, Moment(10)));
        barrier.take_back(1);
        assert_eq!(barrier.waiting(Moment(500)), Span::ZERO);
        assert!(!barrier.echo(1));
    }
}
