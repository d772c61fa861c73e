//! The checked rules as plain data: what `rules/` compiles a folder into and everything else works from.
//!
//! A [`Plan`] is complete and consistent: every name in it resolves, every number has been checked, every
//! default filled in. Whoever holds one need not doubt it, and nothing here knows where it came from.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use crate::event::Name;
use crate::guard::{Policy, RequestKind, Rights};
use crate::schedules::{Hours, Timetable, Within};
use crate::time::{Span, WallTime};

#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    pub shop: Shop,
    /// In order of name.
    pub machines: Vec<Machine>,
    /// In order of name.
    pub inputs: Vec<Input>,
    /// SHA-256 of the rules' content, in hexadecimal: which rules a decision was made under.
    pub digest: String,
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
    /// In order of name.
    pub circuits: Vec<Circuit>,
    /// What energy costs; without it none is counted in money.
    pub tariff: Option<Tariff>,
    /// Where metrics and health are served over HTTP; nowhere unless asked.
    pub monitoring: Option<SocketAddr>,
    /// Halls and the like, each with a daemon of its own. None, and one daemon guards everything.
    pub sites: Vec<Name>,
    /// The one that this plan was narrowed to; see [`Plan::at_site`].
    pub site: Option<Name>,
    /// What people call the machines of other sites, folded ([`crate::intake::fold`]). A request for one of them is not ours to
    /// answer.
    pub elsewhere: BTreeSet<String>,
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
    pub tls: Option<Tls>,
    pub keep_alive: Span,
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
    pub circuit: Option<OnCircuit>,
    /// One of [`Shop::sites`], if there are any.
    pub site: Option<Name>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Outlet {
    pub state: StateTopic,
    pub order: OrderTopic,
    /// Asks the outlet or its meter for fresh readings.
    pub refresh: Option<RefreshTopic>,
    /// Says whether the outlet itself can be reached.
    pub reach: Option<StateTopic>,
    /// The signal, by index, that tells whether the machine still draws power after it was switched off.
    pub power_signal: Option<usize>,
    /// The meter's own counter; without one the energy is summed up from the draw.
    pub energy: Option<EnergyCounter>,
    /// More than this after an off is "still drawing power".
    pub residual_watts: f64,
}

/// A signal that counts energy up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnergyCounter {
    /// By index.
    pub signal: usize,
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
#[derive(Clone, Debug, PartialEq)]
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
}

impl Signal {
    /// Its unit as in the SenML units registry; empty where it has none.
    pub fn unit(&self) -> &str {
        match &self.kind {
            SignalKind::Number(number) => &number.unit,
            SignalKind::Text => "",
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
pub enum SignalKind {
    Number(NumberSignal),
    Text,
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
    /// For each signal the detector declares, in its order: the machine's signal, by index, that feeds it.
    pub signals: Vec<Option<usize>>,
    /// For each signal the detector declares: whether it is needed for a verdict.
    pub needed: Vec<bool>,
    pub role: Role,
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
}

impl Role {
    pub const ALL: [Role; 3] = [Role::Hold, Role::Advise, Role::PermitOn];

    /// The word used in rules and messages.
    pub const fn word(self) -> &'static str {
        match self {
            Role::Hold => "hold",
            Role::Advise => "advise",
            Role::PermitOn => "permit-on",
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ModuleSource {
    /// Shipped inside the binary.
    BuiltIn(Name),
    File {
        path: PathBuf,
        sha256: Option<String>,
    },
}

#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    pub name: Name,
    pub title: String,
    pub source: InputSource,
    /// By index into [`Plan::machines`].
    pub machines: Vec<usize>,
    pub gestures: Vec<Gesture>,
    /// What it may ask for on our own request topic; where the rules do not say, whatever its rights permit.
    pub requests: Option<Vec<RequestKind>>,
    pub rights: Rights,
    /// When it may ask; always, where the rules do not say.
    pub hours: Option<Hours>,
    /// As of a signal. An emergency counts with the flag in any case.
    pub sender_stores: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub enum InputSource {
    /// A topic of somebody else's: a button, a panel, a contact.
    Topic {
        source: Source,
        /// Where the payload carries an id of its own for each event.
        event_id: Option<ValuePath>,
        /// Where the payload names the machine; else each gesture is for all machines of the input.
        named: Option<MachineWords>,
    },
    /// Our own request topic for this input, `<prefix>/request/<input>`.
    RequestTopic,
    /// The wall clock.
    Schedule(Box<Schedule>),
}

/// How a payload says which machine is meant, as voice relays and panels do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MachineWords {
    pub path: ValuePath,
    /// What stands for a machine, as people write it, and its index into [`Plan::machines`]. No two are alike when
    /// folded ([`crate::intake::fold`]).
    pub words: Vec<(String, usize)>,
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
    pub fn machine(&self, name: &str) -> Option<(usize, &Machine)> {
        self.machines.iter().enumerate().find(|(_, machine)| machine.name.as_str() == name)
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
                places.push(Some(ours.len()));
                ours.push(machine);
            } else {
                places.push(None);
                let names = [machine.name.as_str(), machine.title.as_str()];
                self.shop.elsewhere.extend(names.map(crate::intake::fold));
            }
        }
        self.machines = ours;
        let place = |machine: usize| places.get(machine).copied().flatten();
        for input in &mut self.inputs {
            input.machines = input.machines.iter().filter_map(|machine| place(*machine)).collect();
            if let InputSource::Topic { named: Some(MachineWords { words, .. }), .. } = &mut input.source {
                let (here, there): (Vec<_>, Vec<_>) =
                    words.drain(..).partition(|(_, machine)| place(*machine).is_some());
                self.shop.elsewhere.extend(there.iter().map(|(word, _)| crate::intake::fold(word)));
                *words =
                    here.into_iter().filter_map(|(word, machine)| Some((word, place(machine)?))).collect();
            }
        }
        self.inputs.retain(|input| !input.machines.is_empty());
        self.shop.broker.client_id = format!("{}-{site}", self.shop.broker.client_id);
        self.shop.site = Some(site.clone());
        Ok(self)
    }

    pub fn input(&self, name: &str) -> Option<(usize, &Input)> {
        self.inputs.iter().enumerate().find(|(_, input)| input.name.as_str() == name)
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
