//! What is counted for whoever watches the watcher: OpenMetrics, by the client library of the format's own keepers.

use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use prometheus_client::encoding::{EncodeLabelSet, text};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::{Histogram, exponential_buckets};
use prometheus_client::registry::{Registry, Unit};
use serde_json::{Value as Json, json};

use idlegate_engine::{Decided, Engine, ForeignOrder, Order};
use idlegate_guard::PermissiveState;
use idlegate_guard::time::{Moment, Now, Span};
use idlegate_os::Clock;
use idlegate_plan::event::Name;

/// The loop turns once a second; one that has not for so long is stuck.
const STUCK_AFTER: Span = Span::secs(5);

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct RequestLabels {
    decision: &'static str,
    reason: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct OrderLabels {
    machine: String,
    switch: &'static str,
    cause: &'static str,
    outcome: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct KindLabels {
    kind: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct MachineLabels {
    machine: String,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct StateLabels {
    machine: String,
    state: &'static str,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct BlindLabels {
    kind: &'static str,
    machine: String,
    input: String,
}

#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
struct ForeignOrderLabels {
    machine: String,
    stored: &'static str,
}

/// Every counter and gauge, and how the service is.
#[derive(Debug)]
pub(super) struct Metrics {
    registry: Registry,
    requests: Family<RequestLabels, Counter>,
    orders: Family<OrderLabels, Counter>,
    announcements: Family<KindLabels, Counter>,
    incidents: Family<KindLabels, Counter>,
    foreign_orders: Family<ForeignOrderLabels, Counter>,
    rejected: Counter,
    answers_withheld: Counter,
    readings_dropped: Counter<u64, AtomicU64>,
    log_lines_lost: Counter<u64, AtomicU64>,
    detector_failures: Family<MachineLabels, Counter>,
    reloads: Family<KindLabels, Counter>,
    link_up: Gauge,
    machine_state: Family<StateLabels, Gauge>,
    blind: Family<BlindLabels, Gauge>,
    event_seconds: Histogram,
    health: Mutex<Json>,
    /// When the loop turned last.
    turned_at: AtomicU64,
    link_is_up: AtomicI64,
}

impl Metrics {
    pub(super) fn new() -> Metrics {
        // From ten microseconds to a third of a second.
        let event_seconds = Histogram::new(exponential_buckets(1e-5, 2.0, 16));
        let mut metrics = Metrics {
            registry: Registry::with_prefix("idlegate"),
            requests: Family::default(),
            orders: Family::default(),
            announcements: Family::default(),
            incidents: Family::default(),
            foreign_orders: Family::default(),
            rejected: Counter::default(),
            answers_withheld: Counter::default(),
            readings_dropped: Counter::default(),
            log_lines_lost: Counter::default(),
            detector_failures: Family::default(),
            reloads: Family::default(),
            link_up: Gauge::default(),
            machine_state: Family::default(),
            blind: Family::default(),
            event_seconds,
            health: Mutex::new(json!({})),
            turned_at: AtomicU64::new(Clock.now().moment.0),
            link_is_up: AtomicI64::new(0),
        };
        metrics.register();
        metrics
    }

    /// The library adds `_total` and the unit to the names.
    fn register(&mut self) {
        let registry = &mut self.registry;
        registry.register("requests", "Requests by decision and reason", self.requests.clone());
        registry.register("orders", "Orders to outlets", self.orders.clone());
        registry.register("announcements", "Sentences told to people", self.announcements.clone());
        registry.register("incidents", "What went past or against the guard", self.incidents.clone());
        let foreign = self.foreign_orders.clone();
        registry.register("foreign_orders", "Orders to guarded outlets that Idlegate did not send", foreign);
        registry.register("messages_rejected", "Messages that could not be used", self.rejected.clone());
        let withheld = self.answers_withheld.clone();
        registry.register("answers_withheld", "Answers wanted where none may go", withheld);
        let dropped = self.readings_dropped.clone();
        registry.register("readings_dropped", "Readings for which there was no time", dropped);
        let lost = self.log_lines_lost.clone();
        registry.register("log_lines_lost", "Log lines that nobody read in time", lost);
        let failures = self.detector_failures.clone();
        registry.register("detector_failures", "Times a detector gave no assessment", failures);
        registry.register("reloads", "Looks at changed rules, by what came of them", self.reloads.clone());
        registry.register(
            "link_up",
            "Whether the broker is connected, subscribed and proved",
            self.link_up.clone(),
        );
        registry.register("machine_state", "1 for the state a machine is in", self.machine_state.clone());
        let blind = self.blind.clone();
        registry.register("blind", "What Idlegate cannot see now, by machine or input", blind);
        let event = self.event_seconds.clone();
        registry.register_with_unit(
            "event",
            "Time to judge what arrived and to send what follows",
            Unit::Seconds,
            event,
        );
    }

    pub(super) fn decided(&self, decided: &Decided) {
        let labels = RequestLabels { decision: decided.decision.word(), reason: decided.why.word() };
        self.requests.get_or_create(&labels).inc();
    }

    pub(super) fn order(&self, order: &Order, sent: bool) {
        let outcome = match (sent, order.shadow) {
            (true, _) => "sent",
            (false, true) => "shadow",
            (false, false) => "not-sent",
        };
        let (switch, cause) = (order.switch.word(), order.cause.word());
        let labels = OrderLabels { machine: order.machine.to_string(), switch, cause, outcome };
        self.orders.get_or_create(&labels).inc();
    }

    pub(super) fn announced(&self, kind: &'static str) {
        self.announcements.get_or_create(&KindLabels { kind }).inc();
    }

    pub(super) fn incident(&self, kind: &'static str) {
        self.incidents.get_or_create(&KindLabels { kind }).inc();
    }

    pub(super) fn foreign_order(&self, told: &ForeignOrder) {
        let stored = if told.stored { "yes" } else { "no" };
        let labels = ForeignOrderLabels { machine: told.machine.to_string(), stored };
        self.foreign_orders.get_or_create(&labels).inc();
    }

    pub(super) fn rejected(&self) {
        self.rejected.inc();
    }

    pub(super) fn answer_withheld(&self) {
        self.answers_withheld.inc();
    }

    pub(super) fn detector_failed(&self, machine: &str) {
        self.detector_failures.get_or_create(&MachineLabels { machine: machine.to_owned() }).inc();
    }

    pub(super) fn reloaded(&self, kind: &'static str) {
        self.reloads.get_or_create(&KindLabels { kind }).inc();
    }

    pub(super) fn event_took(&self, took: Duration) {
        self.event_seconds.observe(took.as_secs_f64());
    }

    /// What there was no room for, since the start.
    pub(super) fn lost(&self, readings: u64, log_lines: usize) {
        self.readings_dropped.inner().store(readings, Ordering::Relaxed);
        let log_lines = u64::try_from(log_lines).unwrap_or(u64::MAX);
        self.log_lines_lost.inner().store(log_lines, Ordering::Relaxed);
    }

    /// Once a second, from the loop itself.
    pub(super) fn turned(&self, now: Now, engine: &Engine, health: Json) {
        self.blind.clear();
        for spot in engine.blind_spots(now) {
            let name = |name: Option<&Name>| name.map(ToString::to_string).unwrap_or_default();
            let (machine, input) = (name(spot.machine()), name(spot.input()));
            self.blind.get_or_create(&BlindLabels { kind: spot.kind.word(), machine, input }).inc();
        }
        let now = now.moment;
        let up = i64::from(engine.link_is_up());
        self.link_up.set(up);
        self.link_is_up.store(up, Ordering::Relaxed);
        for (index, machine) in idlegate_plan::indexed(&engine.plan().machines) {
            let is = engine.permissive(now, index);
            for (state, word) in [
                (PermissiveState::Busy, "busy"),
                (PermissiveState::Clear, "idle"),
                (PermissiveState::Unknown, "unknown"),
            ] {
                let labels = StateLabels { machine: machine.name.to_string(), state: word };
                self.machine_state.get_or_create(&labels).set(i64::from(is == state));
            }
        }
        *self.health.lock().unwrap_or_else(PoisonError::into_inner) = health;
        self.turned_at.store(now.0, Ordering::Relaxed);
    }

    /// Machines that are gone are counted no more.
    pub(super) fn forget_machines(&self) {
        self.machine_state.clear();
    }

    pub(super) fn to_openmetrics(&self) -> Result<String, std::fmt::Error> {
        let mut page = String::new();
        text::encode(&mut page, &self.registry)?;
        Ok(page)
    }

    /// Whether the guard guards, and what it says of itself.
    pub(super) fn health(&self, now: Moment) -> (bool, Json) {
        let mut health = self.health.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let stuck = now.since(Moment(self.turned_at.load(Ordering::Relaxed))) > STUCK_AFTER;
        let up = self.link_is_up.load(Ordering::Relaxed) == 1;
        if let Some(health) = health.as_object_mut() {
            health.insert("link".to_owned(), json!(if up { "up" } else { "down" }));
            health.insert("loop".to_owned(), json!(if stuck { "stuck" } else { "turning" }));
        }
        (up && !stuck, health)
    }
}
