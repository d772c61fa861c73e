//! The link as the rest of the program holds it.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use tokio::sync::{mpsc, oneshot};

use super::connection::Connection;
use super::inbox::Entrance;
use super::normalise::normalise;
use super::outgoing::{NotSent, Outgoing};
use super::reconnect;
use super::{Classifier, Inbox, LinkConfig, Purpose};
use idlegate_os::Clock;
use idlegate_plan::event::Line;
use idlegate_plan::topic::Filter;

/// A farewell that the broker does not take within this time is given up.
const FAREWELL_WAIT: Duration = Duration::from_secs(2);

/// Sends, changes the subscriptions, shuts down. Cheap to clone.
#[derive(Clone, Debug)]
pub struct LinkHandle {
    shared: Arc<Shared>,
    stop: mpsc::Sender<Farewell>,
}

/// How often something happened since the start, apart from the link's being down.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// Connections that were proved.
    pub connections: u64,
    /// Messages on topics that are nobody's.
    pub unlisted: u64,
    /// Messages whose topic is not valid.
    pub malformed: u64,
    /// Further copies of a message, from subscriptions that share topics.
    pub copies: u64,
}

/// What all the link's tasks share.
pub(super) struct Shared {
    pub(super) mailbox: Entrance,
    pub(super) state: Mutex<State>,
}

pub(super) struct State {
    /// Normalised.
    pub(super) wanted: Vec<(Filter, Purpose)>,
    pub(super) classify: Classifier,
    pub(super) connection: Option<Connection>,
    /// Which connection since the start it is.
    pub(super) generation: u64,
    pub(super) counters: Counters,
}

/// The request to say goodbye, and whom to tell when it is done.
pub(super) struct Farewell {
    pub(super) payload: Bytes,
    pub(super) done: oneshot::Sender<()>,
}

/// Starts the link; it tries to connect from now on until it is shut down. Needs a Tokio runtime.
///
/// The link is down until the inbox says that it is up.
pub fn spawn(config: LinkConfig, wanted: &[(Filter, Purpose)], classify: Classifier) -> (LinkHandle, Inbox) {
    let (mailbox, inbox) = Inbox::new();
    (start(config, wanted, classify, mailbox), inbox)
}

/// Starts a connection for emergencies beside the main one; what comes over it enters the main one's inbox.
pub fn spawn_emergency(
    config: LinkConfig,
    wanted: &[(Filter, Purpose)],
    classify: Classifier,
    main: &LinkHandle,
) -> LinkHandle {
    start(config, wanted, classify, main.shared.mailbox.of(Line::Emergency))
}

fn start(
    config: LinkConfig,
    wanted: &[(Filter, Purpose)],
    classify: Classifier,
    mailbox: Entrance,
) -> LinkHandle {
    let state = State {
        wanted: normalise(wanted),
        classify,
        connection: None,
        generation: 0,
        counters: Counters::default(),
    };
    let shared = Arc::new(Shared { mailbox, state: Mutex::new(state) });
    let (stop, stopped) = mpsc::channel(1);
    tokio::spawn(reconnect::keep(config, Arc::clone(&shared), stopped));
    LinkHandle { shared, stop }
}

impl LinkHandle {
    /// Hands a message to the connection of now. `Ok` says that it will be sent unless this connection ends
    /// first; an error says that it never will be. Does not wait.
    pub fn publish(&self, message: Outgoing) -> Result<(), NotSent> {
        let mut state = self.shared.lock();
        state.connection.as_mut().ok_or(NotSent::Down)?.publish(message)
    }

    /// As [`LinkHandle::publish`]; tells, too, when the broker has confirmed it. If it never does, the other end is
    /// dropped.
    pub(crate) fn publish_confirmed(&self, message: Outgoing) -> Result<oneshot::Receiver<()>, NotSent> {
        let mut state = self.shared.lock();
        state.connection.as_mut().ok_or(NotSent::Down)?.publish_confirmed(message)
    }

    /// Whether a message would be taken now.
    pub fn is_up(&self) -> bool {
        self.shared.lock().connection.as_ref().is_some_and(Connection::is_up)
    }

    /// Up, and its last sign of life is not long ago.
    pub fn is_live(&self) -> bool {
        let now = Clock.now().moment;
        self.shared.lock().connection.as_ref().is_some_and(|connection| connection.is_live(now))
    }

    /// Whether emergency orders have been taken that have not left yet.
    pub fn holds_emergencies(&self) -> bool {
        self.shared.lock().connection.as_ref().is_some_and(Connection::holds_emergencies)
    }

    /// Whether an emergency order for this outlet waits.
    pub fn holds_emergency_for(&self, outlet: &Arc<str>) -> bool {
        let state = self.shared.lock();
        state.connection.as_ref().is_some_and(|connection| connection.holds_emergency_for(outlet))
    }

    /// Takes back a plain order that waits for this outlet. Whether one on this topic has left, and may arrive later
    /// than what another connection sends now.
    pub fn withdraw(&self, outlet: &Arc<str>, topic: &str) -> bool {
        let mut state = self.shared.lock();
        state.connection.as_mut().is_some_and(|connection| connection.withdraw(outlet, topic))
    }

    /// Other rules: topics no longer wanted are given up, new ones asked for, the rest goes on undisturbed.
    pub fn replace_subscriptions(&self, wanted: &[(Filter, Purpose)], classify: Classifier) {
        let wanted = normalise(wanted);
        let mut state = self.shared.lock();
        if let Some(connection) = &mut state.connection {
            connection.want(&wanted);
        }
        state.wanted = wanted;
        state.classify = classify;
    }

    pub fn counters(&self) -> Counters {
        self.shared.lock().counters
    }

    /// Publishes the farewell on the health topic, retained, unless it is empty; disconnects and ends the link. Takes
    /// two seconds at most. The inbox can still be emptied, and then ends.
    pub async fn shutdown(&self, farewell: Bytes) {
        let (done, ended) = oneshot::channel();
        if self.stop.send(Farewell { payload: farewell, done }).await.is_err() {
            return;
        }
        // The task that reconnects has limits of its own; this one is for when it is no more.
        let _ = tokio::time::timeout(FAREWELL_WAIT + FAREWELL_WAIT, ended).await;
    }
}

impl Shared {
    pub(super) const FAREWELL_WAIT: Duration = FAREWELL_WAIT;

    pub(super) fn lock(&self) -> MutexGuard<'_, State> {
        // A panic in one task ends that connection; the state is made anew for the next one.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl std::fmt::Debug for Shared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Shared").finish_non_exhaustive()
    }
}
