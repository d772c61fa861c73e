//! The checked rules as plain data: what `rules/` compiles a folder into and everything else works from.
//!
//! A [`Plan`] is complete and consistent: every name in it resolves, every number has been checked, every
//! default filled in. Whoever holds one need not doubt it, and nothing here knows where it came from.

// Whatever is printed passes the one gate in the command line.
#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod answered;
pub mod event;
mod groups;
mod index;
mod interlocks;
pub mod kept;
mod network;
pub mod schedules;
pub mod text;
pub mod topic;
mod watch;
use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

pub use groups::Group;
pub use index::{DetectorIx, GroupIx, InputIx, Ix, Listed, MachineIx, SignalIx, Table, indexed, indices};

use crate::event::Name;
pub use crate::interlocks::{Interlocks, NeededBy};
pub use crate::network::{Network, NotANetwork};
use crate::schedules::{Hours, Timetable, Within};
pub use crate::watch::{Watch, WatchWhile};
use idlegate_guard::time::{Span, WallTime};
use idlegate_guard::{Control, Policy, RequestKind, Rights};
use jiff::tz::TimeZone;

#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    pub shop: Shop,
    /// In order of name.
    pub machines: Vec<Machine>,
    /// In order of name.
    pub groups: Vec<Group>,
    /// In order of name.
    pub inputs: Vec<Input>,
    /// SHA-256 of the rules' content, in hexadecimal: which rules a decision was made under.
    pub digest: String,
}

/// The pages for monitors, and the one for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Monitoring {
    pub listen: SocketAddr,
    /// Whether there is a page for people.
    pub page: bool,
    /// Who beside this computer is answered. Without any, the page is for this computer alone and the rest for
    /// everybody.
    pub hosts: Vec<Network>,
    /// By which names it may be asked for, beside addresses and `localhost`.
    pub names: Vec<String>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Shop {
    /// For people.
    pub title: String,
    /// First topic levels of everything Idlegate publishes and of its request topics; no trailing slash.
    pub prefix: String,
    pub broker: Broker,
    /// Sentences that replace the built-in ones, by kind of announcement.
    pub sentences: BTreeMap<String, String>,
    /// Where lockouts and the journal are kept.
    pub state_dir: Option<PathBuf>,
    /// How long the journal keeps the names of those who asked.
    pub keep_names: Span,
    /// How long the guard keeps its own readings; none, unless asked.
    pub keep_readings: Option<Span>,
    /// In order of name.
    pub circuits: Vec<Circuit>,
    /// By which people here read the clock.
    pub zone: TimeZone,
    /// What energy costs; without it none is counted in money.
    pub tariff: Option<Tariff>,
    /// Where metrics and health are served over HTTP; nowhere unless asked.
    pub monitoring: Option<Monitoring>,
    /// Halls and the like, each with a daemon of its own. None, and one daemon guards everything.
    pub sites: Vec<Name>,
    /// The one that this plan was narrowed to; see [`Plan::at_site`].
    pub site: Option<Name>,
    /// What people call the machines of other sites, folded ([`crate::text::fold`]). A request for one of them is not
    /// ours to answer.
    pub elsewhere: BTreeSet<String>,
    /// Machines that the daemons of other sites guard.
    pub machines_elsewhere: BTreeSet<Name>,
    /// Topics and filters that the other sites read, order or refresh.
    pub topics_elsewhere: Vec<String>,
    /// Memory for all detectors at work, together.
    pub detector_memory_bytes: usize,
    /// By which one guard knows what another one has left to it.
    pub hand_over: Option<Secret>,
    pub blind: BlindLimits,
}

/// After how long people are told that the guard does not see a machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlindLimits {
    /// Never sooner than the meter's own silence is doubt.
    pub meter_silent: Span,
    /// Never sooner than several times as long as that meter ever stood still at work.
    pub meter_stuck: Span,
    pub outlet_unreachable: Span,
    pub not_understood: Span,
}

impl BlindLimits {
    pub const UNLESS_SET: BlindLimits = BlindLimits {
        meter_silent: Span::secs(600),
        meter_stuck: Span::secs(3_600),
        // Radio outlets drop out for a minute or two and come back by themselves.
        outlet_unreachable: Span::secs(300),
        not_understood: Span::secs(60),
    };
}

impl Default for BlindLimits {
    fn default() -> BlindLimits {
        BlindLimits::UNLESS_SET
    }
}

/// A placeholder of a sentence that begins so stands for a setting of the detector: `{setting.busy_watts}`.
pub const SETTING_PLACEHOLDER: &str = "setting.";

/// What a kilowatt-hour costs, by the hour.
#[derive(Clone, Debug, PartialEq)]
pub struct Tariff {
    /// As it is written behind a sum: "EUR".
    pub currency: String,
    pub per_kwh: f64,
    /// In order of name; the first whose hours it is counts.
    pub bands: Vec<TariffBand>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct TariffBand {
    pub name: Name,
    pub per_kwh: f64,
    pub hours: Hours,
}

impl Tariff {
    /// The price of a kilowatt-hour at this time.
    pub fn at(&self, wall: WallTime) -> f64 {
        let band = self.bands.iter().find(|band| band.hours.within(wall) == Within::Yes);
        band.map_or(self.per_kwh, |band| band.per_kwh)
    }
}

/// A branch circuit: outlets behind one breaker, which ends every job on them when it trips.
#[derive(Clone, Debug, PartialEq)]
pub struct Circuit {
    pub name: Name,
    pub amperes: f64,
    pub volts: f64,
    /// How much of the breaker's rating may be used for long.
    pub continuous_share: f64,
}

impl Circuit {
    pub fn limit_watts(&self) -> f64 {
        self.amperes * self.volts * self.continuous_share
    }
}

/// A machine's place on a circuit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnCircuit {
    /// By index into [`Shop::circuits`].
    pub circuit: usize,
    /// The most the machine draws for longer than an instant.
    pub peak_watts: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Broker {
    pub host: String,
    pub port: u16,
    pub client_id: String,
    pub login: Option<Login>,
    /// Another login, for trying whether the broker heeds message expiry.
    pub probe: Option<Login>,
    /// Of the connection for emergencies, where it is another.
    pub emergency_login: Option<Login>,
    pub tls: Option<Tls>,
    pub keep_alive: Span,
}

impl Broker {
    /// Nobody but this computer can reach it.
    pub fn is_local(&self) -> bool {
        matches!(self.host.as_str(), "localhost" | "127.0.0.1" | "::1")
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct Login {
    pub user: String,
    pub password: Secret,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Tls {
    /// PEM file of the authorities to trust.
    pub ca_file: PathBuf,
    /// PEM files of our own certificate and its key.
    pub client: Option<ClientCertificate>,
    /// The name the broker's certificate must bear, where it differs from the host.
    pub server_name: Option<String>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct ClientCertificate {
    pub certificate_file: PathBuf,
    pub key_file: PathBuf,
}

/// A value that no log, message or error may show.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    pub fn new(value: String) -> Secret {
        Secret(value)
    }

    /// For handing to the broker, and for nothing else.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("(hidden)")
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    pub name: Name,
    /// For people: "the resin printer".
    pub title: String,
    pub outlet: Outlet,
    /// In order of name.
    pub signals: Vec<Signal>,
    pub detectors: Vec<DetectorUse>,
    pub policy: Policy,
    /// In shadow mode, too, what would be done is said aloud.
    pub speak_in_shadow: bool,
    pub learning: Learning,
    pub interlocks: Interlocks,
    /// What is to be done to it again and again, in order of name.
    pub services: Vec<Service>,
    /// After so long, or after a change, somebody should try again whether it is guarded.
    pub drill_every: Option<Span>,
    pub jobs: JobRules,
    /// Dangerous to start with nobody beside it.
    pub hazardous: bool,
    pub circuit: Option<OnCircuit>,
    /// One of [`Shop::sites`], if there are any.
    pub site: Option<Name>,
}

/// Something that is to be done to a machine again and again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Service {
    pub name: Name,
    /// For people: "the lens was cleaned".
    pub done: String,
    pub counts: ServiceMeasure,
    /// In milliseconds, or times.
    pub every: u64,
}

/// What is counted until a service is due again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ServiceMeasure {
    /// The time in which its detectors said that it works.
    Busy,
    /// The time in which its outlet was on.
    On,
    /// How often it was switched on.
    SwitchOns,
    /// The days that have gone by.
    Calendar,
}

impl ServiceMeasure {
    pub const ALL: [ServiceMeasure; 4] =
        [ServiceMeasure::Busy, ServiceMeasure::On, ServiceMeasure::SwitchOns, ServiceMeasure::Calendar];

    /// The word used in rules and messages.
    pub const fn word(self) -> &'static str {
        match self {
            ServiceMeasure::Busy => "busy",
            ServiceMeasure::On => "on",
            ServiceMeasure::SwitchOns => "switch-ons",
            ServiceMeasure::Calendar => "calendar",
        }
    }
}

/// One spoiled job is as bad as so much waiting, unless the rules say otherwise: a working day.
pub const JOB_WORTH: Span = Span::secs(8 * 3_600);

/// What is learned from the silences of a machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Learning {
    /// It is held longer after it went back to work soon after it counted as idle.
    pub hold_longer: bool,
    /// Somebody has looked at what was learned until then.
    pub seen_until: Option<WallTime>,
    /// One spoiled job is as bad as so much waiting: the more, the longer the dwell that is proposed.
    pub job_worth: Span,
}

impl Default for Learning {
    fn default() -> Learning {
        Learning { hold_longer: false, seen_until: None, job_worth: JOB_WORTH }
    }
}

/// What is a job of a machine, and what people are told of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JobRules {
    /// Whatever is over sooner is none: the surge of a start, somebody's try.
    pub shortest: Span,
    /// A job is over when its machine has been quiet for this long; where the rules do not say, when its detectors call
    /// it idle.
    pub pause: Option<Span>,
    pub tells_finished: bool,
    pub tells_cut: bool,
    pub tells_left_on: bool,
    /// Idle and on for so long after a job, it was forgotten.
    pub left_on_after: Span,
}

impl JobRules {
    pub const UNLESS_SET: JobRules = JobRules {
        shortest: Span::secs(15),
        pause: None,
        tells_finished: true,
        tells_cut: true,
        tells_left_on: true,
        left_on_after: Span::secs(3_600),
    };
}

#[derive(Clone, Debug, PartialEq)]
pub struct Outlet {
    /// None only where the machine is watched by a meter alone.
    pub state: Option<StateTopic>,
    /// None only where the machine is only watched: [`Machine::is_watched`].
    pub order: Option<OrderTopic>,
    /// Asks the outlet or its meter for fresh readings.
    pub refresh: Option<RefreshTopic>,
    /// Says whether the outlet itself can be reached.
    pub reach: Option<StateTopic>,
    /// The signal that tells whether the machine still draws power after it was switched off.
    pub power_signal: Option<SignalIx>,
    /// The meter's own counter; without one the energy is summed up from the draw.
    pub energy: Option<EnergyCounter>,
    /// More than this after an off is "still drawing power".
    pub residual_watts: f64,
}

/// A signal that counts energy up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnergyCounter {
    pub signal: SignalIx,
    pub joules_per_unit: f64,
    /// After this value, in the signal's unit, it begins anew at zero.
    pub wraps_at: Option<f64>,
}

/// Where a two-valued state is read. Any other value means unknown.
#[derive(Clone, Debug, PartialEq)]
pub struct StateTopic {
    pub source: Source,
    pub on: String,
    pub off: String,
}

#[derive(Clone, Debug, PartialEq)]
pub struct OrderTopic {
    pub topic: String,
    pub on: String,
    pub off: String,
    /// How long the broker may keep an undelivered order.
    pub expiry: Span,
}

#[derive(Clone, Debug, PartialEq)]
pub struct RefreshTopic {
    pub topic: String,
    pub payload: String,
}

/// Where in which message a value stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// An MQTT topic filter.
    pub filter: String,
    pub path: ValuePath,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ValuePath {
    /// The payload itself is the value: a bare number or text.
    Whole,
    /// RFC 6901.
    JsonPointer(String),
    /// RFC 8428: the record with this resolved name.
    SenmlName(String),
}

#[derive(Clone, Debug, PartialEq)]
pub struct Signal {
    pub name: Name,
    pub source: Source,
    pub kind: SignalKind,
    /// Older than this counts as missing.
    pub stale_after: Span,
    /// A meter that has read exactly the same for so long is stuck, and what it reads counts as unknown.
    pub stuck_after: Option<Span>,
    /// The sender puts the retain flag on everything: then the flag does not mean that a reading is an old one.
    pub sender_stores: bool,
    pub reports: Reports,
}

/// When a meter speaks.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Reports {
    /// Again and again, whatever it reads: a silence is doubt.
    #[default]
    Steadily,
    /// When its value changes. A silence is believed only beside a sign of life.
    OnChange(OnChange),
}

/// How it is known that a meter is there while it says nothing. At least one of the two is set.
#[derive(Clone, Debug, PartialEq)]
pub struct OnChange {
    pub alive: Option<Alive>,
    pub refresh: Option<Polling>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Alive {
    pub sign: LifeSign,
    /// With none for so long, the meter may be gone.
    pub silent_max: Span,
    /// As of a signal.
    pub sender_stores: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub enum LifeSign {
    /// A message with something at that place, unless it is the word for a meter that is gone.
    Topic { source: Source, gone: Option<String> },
    /// What the outlet says of its own reach: it and the meter are one device.
    Reach,
}

/// A meter that is asked for its value every so often.
#[derive(Clone, Debug, PartialEq)]
pub struct Polling {
    pub ask: RefreshTopic,
    pub every: Span,
}

impl Signal {
    pub fn on_change(&self) -> Option<&OnChange> {
        match &self.reports {
            Reports::Steadily => None,
            Reports::OnChange(on_change) => Some(on_change),
        }
    }

    pub fn alive(&self) -> Option<&Alive> {
        self.on_change()?.alive.as_ref()
    }

    pub fn polling(&self) -> Option<&Polling> {
        self.on_change()?.refresh.as_ref()
    }

    /// How long a silence may last before the signal counts as missing.
    pub fn silent_max(&self) -> Span {
        self.alive().map_or(self.stale_after, |alive| alive.silent_max)
    }

    /// Its unit as in the SenML units registry; empty where it has none.
    pub fn unit(&self) -> &str {
        match &self.kind {
            SignalKind::Number(number) => &number.unit,
            SignalKind::Text | SignalKind::Machine(_) => "",
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
pub enum SignalKind {
    Number(NumberSignal),
    Text,
    /// The state of this machine: busy, idle, unknown or off. It comes from no topic, and is never missing.
    Machine(Name),
}

#[derive(Clone, Debug, PartialEq)]
pub struct NumberSignal {
    /// Unit of the value after scaling, as in the SenML units registry.
    pub unit: String,
    /// reading = payload value × scale + offset.
    pub scale: f64,
    pub offset: f64,
    /// Readings outside are faults of the meter, not readings.
    pub plausible: (f64, f64),
    /// How the sender writes its numbers where they are text.
    pub decimal: Decimal,
    /// Words of the sender, and the reading that each of them stands for, by itself and without scale or offset.
    pub values: Vec<(String, f64)>,
}

impl Default for NumberSignal {
    /// A number as it is sent, whatever it is.
    fn default() -> NumberSignal {
        NumberSignal {
            unit: String::new(),
            scale: 1.0,
            offset: 0.0,
            plausible: (f64::NEG_INFINITY, f64::INFINITY),
            decimal: Decimal::Point,
            values: Vec::new(),
        }
    }
}

/// What stands between the whole part of a number and the rest of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Decimal {
    #[default]
    Point,
    Comma,
}

/// One detector at work on one machine.
#[derive(Clone, Debug, PartialEq)]
pub struct DetectorUse {
    /// As people see it; the module's name unless the rules give another.
    pub name: Name,
    pub module: ModuleSource,
    /// A JSON object.
    pub settings: serde_json::Value,
    /// For each signal the detector declares, in its order: the machine's signal that feeds it.
    pub signals: Vec<Option<SignalIx>>,
    /// For each signal the detector declares: whether it is needed for a verdict.
    pub needed: Vec<bool>,
    pub role: Role,
    pub stage: Stage,
}

/// What a detector's word is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// Power stays on until it says idle.
    Hold,
    /// Informs, but does not hold.
    Advise,
    /// The machine may be switched on from afar only while it says idle: the lid is closed, the extraction runs.
    PermitOn,
    /// People are told while it says busy. It holds nothing and cuts nothing.
    Warn(Watch),
}

impl Role {
    pub const ALL: [Role; 4] = [Role::Hold, Role::Advise, Role::PermitOn, Role::Warn(Watch::UNLESS_SET)];

    /// The word used in rules and messages.
    pub const fn word(self) -> &'static str {
        match self {
            Role::Hold => "hold",
            Role::Advise => "advise",
            Role::PermitOn => "permit-on",
            Role::Warn(_) => "warn",
        }
    }
}

/// Which part of a machine's busy time a detector speaks of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stage {
    #[default]
    Work,
    /// The job is done, and the machine must stay on all the same: it cools down, its fumes are drawn off.
    After,
}

impl Stage {
    pub const ALL: [Stage; 2] = [Stage::Work, Stage::After];

    /// The word used in rules.
    pub const fn word(self) -> &'static str {
        match self {
            Stage::Work => "work",
            Stage::After => "after",
        }
    }
}

/// Unless the rules say otherwise.
pub const DETECTOR_MEMORY_MIB: u16 = 128;
pub const DETECTOR_MEMORY_BYTES: usize = (DETECTOR_MEMORY_MIB as usize) << 20;

#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ModuleSource {
    /// Shipped inside the binary.
    BuiltIn(Name),
    File {
        path: PathBuf,
        sha256: Option<String>,
        /// The rules themselves give that digest: somebody has looked at the file and trusts it.
        pinned: bool,
    },
}

#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    pub name: Name,
    pub title: String,
    pub source: InputSource,
    pub machines: Vec<MachineIx>,
    pub gestures: Vec<Gesture>,
    /// What it may ask for on our own request topic; where the rules do not say, whatever its rights permit.
    pub requests: Option<Vec<RequestKind>>,
    pub rights: Rights,
    /// When it may ask; always, where the rules do not say.
    pub hours: Option<Hours>,
    /// As of a signal. An emergency counts with the flag in any case.
    pub sender_stores: bool,
    /// Where the payload says who asks; our own request topic has a place for it.
    pub who: Option<ValuePath>,
    /// Where the payload brings the token of an earlier answer; our own request topic has a place for it.
    pub confirm: Option<ValuePath>,
    /// Where it may have its answers, besides `<prefix>/answer/<input>`: topic filters.
    pub answers: Vec<String>,
    /// Something is heard of it at least so often, if all is well.
    pub silent_max: Option<Span>,
    pub battery: Option<Battery>,
}

/// Where an input says how its battery is.
#[derive(Clone, Debug, PartialEq)]
pub struct Battery {
    pub source: Source,
    pub low: BatteryLow,
}

#[derive(Clone, Debug, PartialEq)]
pub enum BatteryLow {
    /// This number or less.
    AtMost(f64),
    Word(String),
}

impl Machine {
    /// Seen and told of, and there is no way to switch it.
    pub fn is_watched(&self) -> bool {
        self.policy.control == Control::Watched
    }

    /// Where its outlet takes orders, if it does.
    pub fn order_topic(&self) -> Option<&str> {
        self.outlet.order.as_ref().map(|order| order.topic.as_str())
    }

    /// What its outlet and its meters are asked with.
    pub fn questions(&self) -> impl Iterator<Item = &RefreshTopic> {
        let meters = self.signals.iter().filter_map(Signal::polling).map(|polling| &polling.ask);
        self.outlet.refresh.iter().chain(meters)
    }

    /// Every topic and filter by which it can be made to do something or to believe something.
    fn topics(&self) -> impl Iterator<Item = &str> {
        let outlet = &self.outlet;
        let read = outlet.state.iter().chain(&outlet.reach).map(|state| &state.source);
        let from_outside = self.signals.iter().filter(|signal| signal.of_machine().is_none());
        let read = read.chain(from_outside.map(|signal| &signal.source));
        // A sign of life that is not one would make a dead meter believed.
        let signs = self.signals.iter().filter_map(Signal::alive).filter_map(|alive| match &alive.sign {
            LifeSign::Topic { source, gone: _ } => Some(source),
            LifeSign::Reach => None,
        });
        let read = read.chain(signs);
        let sent = self.questions().map(|refresh| refresh.topic.as_str());
        let order = outlet.order.iter().map(|order| order.topic.as_str());
        read.map(|source| source.filter.as_str()).chain(order).chain(sent)
    }
}

impl Input {
    /// Its payloads say which machine or group is meant, in words of people.
    pub fn names_machines(&self) -> bool {
        matches!(&self.source, InputSource::Topic { named: Some(_), .. })
    }

    fn topics(&self) -> impl Iterator<Item = &str> {
        let source = match &self.source {
            InputSource::Topic { source, .. } | InputSource::Contact(Contact { source, .. }) => {
                Some(source.filter.as_str())
            }
            // Under our own prefix.
            InputSource::RequestTopic | InputSource::Schedule(_) => None,
        };
        source.into_iter().chain(self.battery.iter().map(|battery| battery.source.filter.as_str()))
    }
}

#[derive(Clone, Debug, PartialEq)]
pub enum InputSource {
    /// A topic of somebody else's: a button, a panel, a contact.
    Topic {
        source: Source,
        /// Where the payload carries an id of its own for each event.
        event_id: Option<EventId>,
        /// Where the payload names the machine; else each gesture is for all machines of the input.
        named: Option<MachineWords>,
    },
    /// Something with a position, such as a latching red button.
    Contact(Contact),
    /// Our own request topic for this input, `<prefix>/request/<input>`.
    RequestTopic,
    /// The wall clock.
    Schedule(Box<Schedule>),
}

/// Where an id of the sender's own stands, and for how long it says that an event has been seen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventId {
    pub path: ValuePath,
    /// It counts up, and begins anew when the battery is changed: then it is not remembered for long.
    pub counter: bool,
}

/// Where the position of a contact is read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contact {
    pub source: Source,
    pub pushed: String,
    pub released: String,
    /// Inputs whose unlock counts it as released, whatever it says: it may be broken.
    pub release_by: Vec<Name>,
}

/// How a payload says which machine is meant, as voice relays and panels do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineWords {
    pub path: ValuePath,
    /// What stands for a machine, as people write it. No two are alike when folded ([`crate::text::fold`]).
    pub words: Vec<(String, MachineIx)>,
    /// What stands for a group. None of them stands for a machine as well.
    pub groups: Vec<(String, GroupIx)>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Schedule {
    pub timetable: Timetable,
    pub request: RequestKind,
    /// Whether the newest firing that was missed is made up for.
    pub make_up_missed: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gesture {
    pub name: Name,
    /// The payload words that stand for it.
    pub words: Vec<String>,
    pub request: RequestKind,
}

impl Plan {
    pub fn machine(&self, name: &str) -> Option<(MachineIx, &Machine)> {
        let at = self.machines.binary_search_by(|machine| machine.name.as_str().cmp(name)).ok()?;
        Some((MachineIx(at), &self.machines[at]))
    }

    pub fn input(&self, name: &str) -> Option<(InputIx, &Input)> {
        let at = self.inputs.binary_search_by(|input| input.name.as_str().cmp(name)).ok()?;
        Some((InputIx(at), &self.inputs[at]))
    }

    /// By which names are looked up.
    pub fn is_in_order(&self) -> bool {
        self.machines.is_sorted_by(|one, next| one.name < next.name)
            && self.groups.is_sorted_by(|one, next| one.name < next.name)
            && self.inputs.is_sorted_by(|one, next| one.name < next.name)
    }

    /// Every topic and filter that somebody acts on, at any site: whoever may publish there can switch, or mislead.
    pub fn topics_in_use(&self) -> impl Iterator<Item = &str> {
        let machines = self.machines.iter().flat_map(Machine::topics);
        let elsewhere = self.shop.topics_elsewhere.iter().map(String::as_str);
        machines.chain(self.inputs.iter().flat_map(Input::topics)).chain(elsewhere)
    }

    /// What a daemon for this site has to do with: its own machines, and the inputs that may ask for one of them.
    pub fn at_site(mut self, site: Option<&Name>) -> Result<Plan, NoSuchSite> {
        let Some(site) = site else {
            return if self.shop.sites.is_empty() {
                Ok(self)
            } else {
                Err(NoSuchSite::Needed(self.shop.sites))
            };
        };
        if !self.shop.sites.contains(site) {
            return Err(NoSuchSite::Unknown { site: site.clone(), sites: self.shop.sites });
        }
        // Where each machine goes.
        let mut places = Vec::new();
        let mut ours = Vec::new();
        for machine in self.machines {
            if machine.site.as_ref() == Some(site) {
                places.push(Some(MachineIx(ours.len())));
                ours.push(machine);
            } else {
                places.push(None);
                self.shop.topics_elsewhere.extend(machine.topics().map(str::to_owned));
                let names = [machine.name.as_str(), machine.title.as_str()];
                self.shop.elsewhere.extend(names.map(crate::text::fold));
                self.shop.machines_elsewhere.insert(machine.name.clone());
            }
        }
        self.machines = ours;
        let place = |machine: MachineIx| places.get(machine.0).copied().flatten();
        let group_places = self.narrow_groups(place);
        for input in &mut self.inputs {
            input.machines = input.machines.iter().filter_map(|machine| place(*machine)).collect();
            if let InputSource::Topic { named: Some(MachineWords { words, groups, .. }), .. } =
                &mut input.source
            {
                groups::follow(groups, &group_places);
                let (here, there): (Vec<_>, Vec<_>) =
                    words.drain(..).partition(|(_, machine)| place(*machine).is_some());
                self.shop.elsewhere.extend(there.iter().map(|(word, _)| crate::text::fold(word)));
                *words =
                    here.into_iter().filter_map(|(word, machine)| Some((word, place(machine)?))).collect();
            }
        }
        let (here, there) = self.inputs.into_iter().partition(|input| !input.machines.is_empty());
        self.inputs = here;
        let there: Vec<Input> = there;
        self.shop.topics_elsewhere.extend(there.iter().flat_map(Input::topics).map(str::to_owned));
        self.shop.broker.client_id = format!("{}-{site}", self.shop.broker.client_id);
        self.shop.site = Some(site.clone());
        Ok(self)
    }
}

/// Why a plan cannot be narrowed to a site.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoSuchSite {
    #[error("this shop is split into sites: start one daemon for each of them, with --site {}", either(.0))]
    Needed(Vec<Name>),
    #[error("no site is called {site}; {}", known(.sites))]
    Unknown { site: Name, sites: Vec<Name> },
}

fn either(sites: &[Name]) -> String {
    sites.iter().map(Name::as_str).collect::<Vec<_>>().join(" or --site ")
}

fn known(sites: &[Name]) -> String {
    if sites.is_empty() {
        return "shop.toml has no sites".to_owned();
    }
    format!("there are {}", sites.iter().map(Name::as_str).collect::<Vec<_>>().join(", "))
}

/// A plan is read by many and changed by none.
pub type SharedPlan = Arc<Plan>;
