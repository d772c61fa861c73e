//! Keeps the link: connects, polls, ticks, waits and tries again, until it is told to say goodbye.
//!
//! Every connection has a client, an event loop and a task of its own, so nothing of one reaches the next. The
//! polling task does nothing but poll and hand on: the client library must not be polled in a `select!`, which would
//! cut off its connecting, and may hang for ever in a write, which the time limit ends.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::sync::Arc;
use std::time::Duration;

use rumqttc::Outgoing as Sent;
use rumqttc::v5::{AsyncClient, Event, EventLoop};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};

use super::back_off::{BackOff, lasts};
use super::barrier::MARKER_INTERVAL;
use super::connection::{Connection, HANDED_MAX};
use super::handle::{Farewell, Shared};
use super::outgoing::Outgoing;
use super::{LinkConfig, options, reason};
use idlegate_guard::time::Span;
use idlegate_os::Clock;
use idlegate_plan::event::LinkState;

/// With nothing of ours coming back for this long the connection is given up, however long its keep-alive.
const SILENCE_MAX: Duration = Duration::from_secs(10);

/// The polling task's last word.
enum End {
    Broken(String),
    /// It was we who could not go on with it.
    GivenUp(String),
    /// Our own goodbye has been sent.
    Goodbye,
}

pub(super) async fn keep(config: LinkConfig, shared: Arc<Shared>, mut stop: mpsc::Receiver<Farewell>) {
    let mut back_off = BackOff::new(config.back_off);
    let mut told: Option<String> = None;
    loop {
        let ended = match open(&config, &shared) {
            Ok(polling) => stay(&config, &shared, polling, &mut stop).await,
            Err(why) => Ended { why: Some(why), given_up: true, lasted: None, farewell: None },
        };
        shared.lock().connection = None;
        // Who gives up by himself was thrown out by nobody.
        let wait = back_off.ended(ended.lasted.filter(|lasted| !ended.given_up || lasts(*lasted)), chance());
        let was_up = ended.lasted.is_some();
        if let Some(mut why) = ended.why {
            if back_off.is_fight() {
                why = reason::of_fight(&config.broker.client_id, &why);
            }
            // The same reason every few seconds tells nobody anything.
            if was_up || told.as_ref() != Some(&why) {
                tracing::warn!(why, next_try_in = %wait, "the link to the broker is down");
                shared.mailbox.link(LinkState::Down { why: why.clone() });
                told = Some(why);
            }
        }
        if config.once {
            shared.mailbox.close();
            if let Some(farewell) = ended.farewell {
                let _ = farewell.done.send(());
            }
            return;
        }
        let farewell = match ended.farewell {
            Some(farewell) => Some(farewell),
            None => wait_or_stop(wait, &mut stop).await,
        };
        if let Some(farewell) = farewell {
            shared.mailbox.close();
            // Whoever asked may have given up waiting.
            let _ = farewell.done.send(());
            return;
        }
    }
}

/// How a connection ended.
struct Ended {
    why: Option<String>,
    given_up: bool,
    /// Since it was proved.
    lasted: Option<Span>,
    farewell: Option<Farewell>,
}

fn open(config: &LinkConfig, shared: &Arc<Shared>) -> Result<JoinHandle<End>, String> {
    let options = options::mqtt_options(config).map_err(|err| err.to_string())?;
    let keep_alive = options::keep_alive(config);
    let silence = keep_alive.min(SILENCE_MAX);
    let ticks = u32::try_from(silence.as_millis() / u128::from(MARKER_INTERVAL.0)).unwrap_or(u32::MAX);
    // Room for what is handed over, and for the goodbye.
    let (client, events) = AsyncClient::new(options, HANDED_MAX + 1);
    let mut state = shared.lock();
    let connection = Connection::new(client, shared.mailbox.clone(), config, &state.wanted, ticks);
    state.connection = Some(connection);
    state.generation += 1;
    let polling = Polling { shared: Arc::clone(shared), generation: state.generation };
    drop(state);
    Ok(tokio::spawn(polling.run(events, 2 * keep_alive + Duration::from_secs(2))))
}

/// The task that polls one connection.
struct Polling {
    shared: Arc<Shared>,
    generation: u64,
}

impl Polling {
    async fn run(self, mut events: EventLoop, limit: Duration) -> End {
        loop {
            let event = match timeout(limit, events.poll()).await {
                Ok(Ok(event)) => event,
                Ok(Err(err)) => {
                    // Read together with what broke the connection, and as good as anything read before.
                    for event in events.state.events.drain(..) {
                        let _ = self.on_event(event);
                    }
                    return End::Broken(reason::of_end(&err, self.shared.established()));
                }
                Err(_) => return End::Broken("the connection takes nothing any more".into()),
            };
            let goodbye = event == Event::Outgoing(Sent::Disconnect);
            if let Err(why) = self.on_event(event) {
                return End::GivenUp(why);
            }
            if goodbye {
                return End::Goodbye;
            }
        }
    }

    fn on_event(&self, event: Event) -> Result<(), String> {
        let mut state = self.shared.lock();
        let state = &mut *state;
        // A task that was told to stop may still be at its last event, which must not count for the next
        // connection: its age would be reckoned by the wrong markers.
        if state.generation != self.generation {
            return Ok(());
        }
        let Some(connection) = &mut state.connection else { return Ok(()) };
        connection.on_event(event, &state.classify, &mut state.counters)
    }
}

/// Until the connection ends, by itself, by its silence, or by our goodbye.
async fn stay(
    config: &LinkConfig,
    shared: &Shared,
    mut polling: JoinHandle<End>,
    stop: &mut mpsc::Receiver<Farewell>,
) -> Ended {
    let mut ticks = interval(Duration::from(MARKER_INTERVAL));
    // After a pause of the whole process one marker is enough.
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut stop_closed = false;
    let (why, given_up, farewell) = loop {
        tokio::select! {
            end = &mut polling => {
                let given_up = matches!(end, Ok(End::GivenUp(_)));
                break (why_ended(end), given_up, None)
            }
            _ = ticks.tick() => {
                if let Err(why) = shared.tick() {
                    polling.abort();
                    break (Some(why), true, None);
                }
            }
            farewell = stop.recv(), if !stop_closed => match farewell {
                Some(farewell) => {
                    say_goodbye(config, shared, &mut polling, &farewell).await;
                    polling.abort();
                    break (None, false, Some(farewell));
                }
                // Every handle is gone without a goodbye: the inbox is still read, so go on.
                None => stop_closed = true,
            },
        }
    };
    let lasted =
        shared.lock().connection.as_ref().and_then(|connection| connection.lasted(Clock.now().moment));
    Ended { why, given_up, lasted, farewell }
}

fn why_ended(end: Result<End, tokio::task::JoinError>) -> Option<String> {
    Some(match end {
        Ok(End::Broken(why) | End::GivenUp(why)) => why,
        Ok(End::Goodbye) => "the connection was ended by us".into(),
        Err(err) => format!("the connection's task failed: {err}"),
    })
}

async fn say_goodbye(
    config: &LinkConfig,
    shared: &Shared,
    polling: &mut JoinHandle<End>,
    farewell: &Farewell,
) {
    let now = Clock.now().moment;
    let message = Outgoing::state(&config.health_topic, farewell.payload.clone(), now);
    // A visitor has nothing to say on leaving.
    if !farewell.payload.is_empty()
        && let Some(connection) = &mut shared.lock().connection
    {
        connection.say_goodbye(message);
    }
    let deadline = Instant::now() + Shared::FAREWELL_WAIT;
    while Instant::now() < deadline && !polling.is_finished() && !shared.nothing_left() {
        sleep(Duration::from_millis(5)).await;
    }
    let disconnecting = shared.lock().connection.as_mut().is_some_and(Connection::disconnect);
    if disconnecting {
        // Sent or not, the broker notices that we are gone.
        let _ = timeout(Duration::from_millis(500), polling).await;
    }
}

async fn wait_or_stop(wait: Span, stop: &mut mpsc::Receiver<Farewell>) -> Option<Farewell> {
    let wait = sleep(wait.into());
    tokio::pin!(wait);
    tokio::select! {
        () = &mut wait => None,
        farewell = stop.recv() => match farewell {
            Some(farewell) => Some(farewell),
            None => {
                wait.await;
                None
            }
        },
    }
}

/// So that several do not come back at the same moment.
pub fn chance() -> u64 {
    RandomState::new().build_hasher().finish()
}

impl Shared {
    fn established(&self) -> bool {
        self.lock().connection.as_ref().is_some_and(Connection::established)
    }

    fn tick(&self) -> Result<(), String> {
        self.lock().connection.as_mut().map_or(Ok(()), Connection::tick)
    }

    fn nothing_left(&self) -> bool {
        self.lock().connection.as_ref().is_none_or(Connection::nothing_left)
    }
}
