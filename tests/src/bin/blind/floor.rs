//! A month of the workshop, second by second in virtual time: jobs, nights, lost connections, starts of the guard, and
//! what is put in. What goes to the guard is what a broker would deliver.

use bytes::Bytes;
use idlegate_demo::workshop::Chance;
use idlegate_detectors::Modules;
use idlegate_engine::{BlindSpotsTold, Effect, Engine, Former};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_messages::effects::{blind, messages};
use idlegate_messages::{Told, read, still_open, text};
use idlegate_plan::SharedPlan;
use idlegate_plan::event::{Event, Feed, LinkState, Message, ServiceSight};
use idlegate_tests::simulation::detecting::{Detecting, stopped};

use crate::judge::{Judge, Truth};
use crate::plants::{self, Plant, What};
use crate::shop::{MACHINES, Manner};

const DAY: u64 = 86_400;
/// A guard that has just been started must have seen a machine at work for four hours before it can tell that its meter
/// stands still; what it does not count of that, around starts and doubts, is no more than ten minutes.
const SEEN_AT_WORK: u64 = 4 * 3_600 + 600;
/// A Monday.
const BEGIN_MS: i64 = 1_793_577_600_000;

pub(crate) struct Floor<'m> {
    plan: SharedPlan,
    modules: &'m Modules,
    engine: Option<Engine>,
    detecting: Detecting<'m>,
    pub(crate) judge: Judge,
    chance: Chance,
    stations: Vec<Station>,
    days: u64,
    now: u64,
    /// Plants that may matter now, looked up once a minute.
    near: Vec<usize>,
    up_at: Option<u64>,
    /// The journal's incidents, as text.
    journal: Vec<String>,
    sight: ServiceSight,
    pub(crate) messages: u64,
    pub(crate) sessions: u64,
    trace: bool,
}

struct Station {
    name: &'static str,
    manner: Manner,
    chance: Chance,
    /// Of this day.
    jobs: Vec<(u64, u64)>,
    on: (u64, u64),
    is_on: bool,
    said: f64,
    frozen: Option<f64>,
    /// When the last of its messages, or its sign of life, was sent.
    heard_at: u64,
    /// In seconds, by readings that came, since the guard was started.
    seen_at_work: u64,
}

impl Station {
    fn new(name: &'static str, manner: Manner, chance: Chance) -> Station {
        let none = (0, 0);
        Station {
            name,
            manner,
            chance,
            jobs: Vec::new(),
            on: none,
            is_on: false,
            said: 0.0,
            frozen: None,
            heard_at: 0,
            seen_at_work: 0,
        }
    }

    fn begin_day(&mut self, day: u64) {
        let morning = day * DAY + 7 * 3_600;
        let span = |chance: &mut Chance, low: u64, high: u64| chance.span(Span(low), Span(high)).0;
        let first = morning + span(&mut self.chance, 1_800, 7_200);
        let lasts = span(&mut self.chance, 3_600, 9_000);
        let second = first + lasts + span(&mut self.chance, 1_200, 7_200);
        self.jobs = vec![(first, first + lasts), (second, second + span(&mut self.chance, 1_200, 9_000))];
        self.on = (first - 1_500, self.jobs[1].1 + 2_400);
    }

    fn job(&self, now: u64, forced: Option<&Plant>) -> Option<u64> {
        let forced = forced.filter(|plant| plant.in_job).map(|plant| (plant.from - 2_000, plant.to + 2_000));
        let mut jobs = self.jobs.iter().copied().chain(forced);
        jobs.find(|(from, to)| (*from..*to).contains(&now)).map(|(from, _)| now - from)
    }

    /// What the meter reads at this second.
    fn draws(&mut self, now: u64, forced: Option<&Plant>) -> f64 {
        let flicker = self.chance.between(0.0, 1.0);
        match (self.manner, self.job(now, forced)) {
            _ if !self.is_on => 0.0,
            (Manner::Flickers, None) => 12.0 + (flicker * 20.0).round() / 10.0,
            (Manner::Flickers, Some(_)) => 300.0 + (flicker * 4_000.0).round() / 10.0,
            (Manner::Cycles, None) => 8.0,
            (Manner::Cycles, Some(into)) if into % 120 < 50 => 250.0 + (flicker * 6.0).round(),
            (Manner::Cycles, Some(_)) => 90.0 + (flicker * 3.0).round(),
            (Manner::Plateau, None) => 2.0,
            (Manner::Plateau, Some(into)) if into < 600 => 100.0 + (flicker * 300.0).round(),
            (Manner::Plateau, Some(_)) => 450.0,
            (Manner::OnChange, None) => 3.0,
            (Manner::OnChange, Some(_)) => 2_000.0,
            (Manner::NeverStill, None) => 5.0 + (flicker * 1_000.0).round() / 1_000.0,
            (Manner::NeverStill, Some(_)) => 400.0 + (flicker * 50_000.0).round() / 1_000.0,
        }
    }
}

fn message(topic: &str, payload: &str, stored: bool) -> Message {
    Message {
        topic: topic.into(),
        payload: Bytes::copy_from_slice(payload.as_bytes()),
        retained: stored,
        proved: !stored,
        ours: false,
        age: Span(20),
        response_topic: None,
        correlation: None,
    }
}

impl<'m> Floor<'m> {
    pub(crate) fn new(
        plan: &SharedPlan,
        modules: &'m Modules,
        seed: u64,
        days: u64,
        with_plants: bool,
        trace: bool,
    ) -> Floor<'m> {
        let mut chance = Chance::new(seed);
        let plants = if with_plants { plants::of_a_month(&mut chance, days) } else { Vec::new() };
        let stations = MACHINES.map(|(name, manner)| Station::new(name, manner, chance.branch()));
        Floor {
            plan: plan.clone(),
            modules,
            engine: None,
            detecting: Detecting::new(true, modules),
            judge: Judge::new(plants),
            chance,
            stations: stations.into(),
            days,
            now: 0,
            near: Vec::new(),
            up_at: Some(1),
            journal: Vec::new(),
            sight: ServiceSight::default(),
            messages: 0,
            sessions: 0,
            trace,
        }
    }

    pub(crate) fn live(&mut self) {
        while self.now < self.days * DAY {
            self.now += 1;
            if self.now % 60 == 1 {
                self.look_up_near();
            }
            if self.now % DAY == 1 {
                let day = self.now / DAY;
                self.stations.iter_mut().for_each(|station| station.begin_day(day));
            }
            self.come_and_go();
            self.look_at_service();
            self.outlets();
            self.meters();
            self.inputs();
            self.tick();
        }
    }

    fn look_up_near(&mut self) {
        let (now, all) = (self.now, self.judge.truths.iter().enumerate());
        let near = all.filter(|(_, it)| it.plant.from < now + 4_000 && now < it.plant.to + 10_000);
        self.near = near.map(|(index, _)| index).collect();
    }

    fn nearby(&self) -> impl Iterator<Item = (usize, &Truth)> {
        self.near.iter().map(|index| (*index, &self.judge.truths[*index]))
    }

    fn clock(&self) -> Now {
        let millis = self.now * 1_000;
        Now { moment: Moment(millis), wall: WallTime(BEGIN_MS + i64::try_from(millis).unwrap_or(0)) }
    }

    /// The plant that is at work now.
    fn plant(&self, what: What, of: &str) -> Option<usize> {
        let found = self.nearby().find(|(_, truth)| {
            let Plant { what: planted, of: at, from, to, .. } = truth.plant;
            planted == what && at == of && (from..to).contains(&self.now)
        });
        found.map(|(index, _)| index)
    }

    /// The plant for whose sake this machine is on, and perhaps at work.
    fn forced(&self, of: &str) -> Option<Plant> {
        let near =
            |plant: &Plant| plant.of == of && (plant.from - 2_300..plant.to + 2_300).contains(&self.now);
        self.nearby().map(|(_, truth)| &truth.plant).find(|plant| near(plant)).cloned()
    }

    fn began(&mut self, index: usize, at: u64) {
        let truth = &mut self.judge.truths[index];
        truth.began = truth.began.or(Some(at));
    }

    /// It can be seen again, by something that has just been delivered.
    fn ended(&mut self, what: What, of: &str) {
        if self.engine.is_none() || !self.is_up() {
            return;
        }
        let now = self.now;
        let over = |plant: &Plant| plant.what == what && plant.of == of && plant.to <= now;
        for index in &self.near {
            let truth = &mut self.judge.truths[*index];
            if over(&truth.plant) && truth.ended.is_none() {
                truth.ended = Some(now);
            }
        }
    }

    fn is_up(&self) -> bool {
        self.engine.as_ref().is_some_and(Engine::link_is_up)
    }

    /// Starts of the guard that are planned, and a lost connection about once a day.
    fn come_and_go(&mut self) {
        let now = self.now;
        let away = self.nearby().find_map(|(_, truth)| truth.plant.away.filter(|(gone, _)| *gone == now));
        if let Some((_, back)) = away {
            self.engine = None;
            self.judge.down(now);
            self.up_at = Some(back);
        }
        let quiet = self.nearby().all(|(_, truth)| {
            let Plant { from, to, .. } = truth.plant;
            now + 600 < from || to + 600 < now
        });
        if quiet && self.up_at.is_none() && self.chance.happens(1.5 / 86_400.0) {
            if self.chance.happens(0.3) {
                self.engine = None;
            } else {
                self.tell(Event::Link(LinkState::Down { why: "gone".to_owned() }));
            }
            self.judge.down(now);
            self.up_at = Some(now + self.chance.span(Span(2), Span(400)).0);
        }
        if self.up_at == Some(now) {
            self.up_at = None;
            self.come_up();
        }
    }

    fn come_up(&mut self) {
        let now = self.clock();
        self.sessions += 1;
        if self.engine.is_none() {
            self.detecting = Detecting::new(true, self.modules);
            self.stations.iter_mut().for_each(|station| station.seen_at_work = 0);
            let mut engine = Engine::new(self.plan.clone(), &Former::default(), now);
            let told = self.journal.iter().filter_map(|body| read::<Told>(body.as_bytes()));
            engine.recall_blind_spots(&still_open(told), now);
            let mut effects = Vec::new();
            engine.start(now, &mut effects);
            self.engine = Some(engine);
            self.carry_out(effects);
        }
        self.judge.up(self.now);
        self.tell(Event::Link(LinkState::Up));
        self.tell(Event::Service(self.sight.clone()));
        // What the broker has in store.
        for place in 0..self.stations.len() {
            let (name, is_on) = (self.stations[place].name, self.stations[place].is_on);
            let says = self.outlet_word(name, is_on);
            self.send(&format!("outlets/{name}/says"), says, true);
            let reach = if self.plant(What::OutletUnreachable, name).is_some() { "no" } else { "yes" };
            self.send(&format!("outlets/{name}/reach"), reach, true);
        }
        for (what, of) in self.nearby().map(|(_, it)| (it.plant.what, it.plant.of)).collect::<Vec<_>>() {
            if matches!(
                what,
                What::OutletUnreachable | What::OutletGarbage | What::JournalOut | What::ClockUnset
            ) {
                self.ended(what, of);
            }
        }
        self.batteries();
    }

    fn outlet_word(&mut self, name: &str, is_on: bool) -> &'static str {
        if let Some(index) = self.plant(What::OutletGarbage, name) {
            if self.is_up() {
                self.began(index, self.now);
            }
            return "perhaps";
        }
        if is_on { "on" } else { "off" }
    }

    fn look_at_service(&mut self) {
        let sight = ServiceSight {
            journal_out: self.plant(What::JournalOut, "").map(|_| "the disk is full".into()),
            clock_unset: self.plant(What::ClockUnset, "").map(|_| "1970-01-01T00:03:00.000Z".into()),
            late_broker: false,
        };
        for what in [What::JournalOut, What::ClockUnset] {
            match self.plant(what, "") {
                Some(index) => self.began(index, self.now),
                None => self.ended(what, ""),
            }
        }
        if sight != self.sight {
            self.sight = sight.clone();
            self.tell(Event::Service(sight));
        }
    }

    fn outlets(&mut self) {
        for place in 0..self.stations.len() {
            let name = self.stations[place].name;
            let forced = self.forced(name);
            let station = &mut self.stations[place];
            let is_on = forced.is_some() || (station.on.0..station.on.1).contains(&self.now);
            let changed = std::mem::replace(&mut station.is_on, is_on) != is_on;
            let garbage = self.plant(What::OutletGarbage, name);
            let just = garbage.is_some_and(|index| self.judge.truths[index].plant.from == self.now);
            if changed || just || self.now.is_multiple_of(60) {
                let says = self.outlet_word(name, is_on);
                self.send(&format!("outlets/{name}/says"), says, false);
                if garbage.is_none() {
                    self.ended(What::OutletGarbage, name);
                }
            }
            let unreachable = self.plant(What::OutletUnreachable, name);
            if let Some(index) = unreachable {
                if self.judge.truths[index].plant.from == self.now {
                    self.send(&format!("outlets/{name}/reach"), "no", false);
                }
                self.began(index, self.now);
            } else if self.nearby().any(|(_, truth)| {
                truth.plant.what == What::OutletUnreachable
                    && truth.plant.of == name
                    && truth.plant.to == self.now
            }) {
                self.send(&format!("outlets/{name}/reach"), "yes", false);
                self.ended(What::OutletUnreachable, name);
            }
            // It blinks now and then, for less than anybody minds.
            if forced.is_none() && self.now % 7_919 == u64::try_from(place).unwrap_or(0) * 101 {
                self.send(&format!("outlets/{name}/reach"), "no", false);
            } else if unreachable.is_none()
                && self.now % 7_919 == u64::try_from(place).unwrap_or(0) * 101 + 97
            {
                self.send(&format!("outlets/{name}/reach"), "yes", false);
            }
        }
    }

    fn meters(&mut self) {
        for place in 0..self.stations.len() {
            let name = self.stations[place].name;
            let phase = u64::try_from(place).unwrap_or(0) * 2;
            let on_change = self.stations[place].manner == Manner::OnChange;
            if self.now % 15 != phase {
                continue;
            }
            let forced = self.forced(name);
            let station = &mut self.stations[place];
            let before = station.said;
            let mut watts = station.draws(self.now, forced.as_ref());
            if station.manner == Manner::NeverStill && !station.is_on {
                continue;
            }
            let silent = self.plant(What::MeterSilent, name);
            let stuck = self.plant(What::MeterStuck, name);
            let garbage = self.plant(What::MeterGarbage, name);
            if let Some(index) = silent {
                // Nothing has come since the last that did.
                let last = if on_change { self.stations[place].heard_at } else { self.now - 15 };
                self.began(index, last);
                continue;
            }
            let station = &mut self.stations[place];
            match stuck {
                Some(_) => watts = *station.frozen.get_or_insert(watts),
                None => station.frozen = None,
            }
            station.said = watts;
            if let Some(index) = stuck.filter(|_| self.is_up()) {
                self.began(index, self.now);
                // By the rules' own limit it is known from the first.
                let station = &self.stations[place];
                if station.manner == Manner::NeverStill || station.seen_at_work >= SEEN_AT_WORK {
                    self.judge.is_known(index, self.now);
                }
            }
            if let Some(index) = garbage.filter(|_| self.is_up()) {
                self.began(index, self.now);
            }
            let topic = format!("meters/{name}");
            // Once in a while one message is spoilt on its way. Of a meter that speaks of changes alone nothing would
            // be known from then on.
            let spoilt = !on_change && self.chance.happens(1.0 / 20_000.0);
            if garbage.is_some() || spoilt {
                self.send(&topic, "overload", false);
                continue;
            }
            if on_change && self.now % 60 == phase {
                self.stations[place].heard_at = self.now;
                self.send("meters/kiln/alive", "1", false);
                self.ended(What::MeterSilent, name);
            }
            let station = &mut self.stations[place];
            if self.engine.as_ref().is_some_and(Engine::link_is_up)
                && station.is_on
                && station.job(self.now, forced.as_ref()).is_some()
            {
                station.seen_at_work += 15;
            }
            if !on_change || watts != before || self.is_asked_anew(name) {
                self.stations[place].heard_at = self.now;
                self.send(&topic, &watts.to_string(), false);
                self.ended(What::MeterSilent, name);
                self.ended(What::MeterGarbage, name);
                if stuck.is_none() {
                    self.ended(What::MeterStuck, name);
                }
            }
        }
    }

    /// After nonsense a meter that speaks of changes says once more how it is.
    fn is_asked_anew(&self, name: &str) -> bool {
        self.nearby().any(|(_, truth)| {
            truth.plant.what == What::MeterGarbage
                && truth.plant.of == name
                && truth.plant.to <= self.now
                && truth.ended.is_none()
        })
    }

    fn inputs(&mut self) {
        for (topic, input, every) in
            [("contacts/red", "red-button", 900), ("buttons/bench", "bench-button", 720)]
        {
            if !self.now.is_multiple_of(every) {
                continue;
            }
            if let Some(index) = self.plant(What::InputSilent, input) {
                self.began(index, self.now - every);
            } else {
                // Neither of its gestures.
                self.send(topic, "here", false);
                self.ended(What::InputSilent, input);
            }
        }
        if self.now.is_multiple_of(600) {
            self.batteries();
        }
    }

    fn batteries(&mut self) {
        for (input, good, low) in
            [("red-button", r#"{"percent":88}"#, r#"{"percent":12}"#), ("bench-button", "good", "low")]
        {
            let plant = self.plant(What::BatteryLow, input);
            if let Some(index) = plant.filter(|_| self.is_up()) {
                self.began(index, self.now);
            }
            let topic = if input == "red-button" { "contacts/red/battery" } else { "buttons/bench/battery" };
            // It is about the battery, and no sign that the rest works: so it comes as a stored one.
            self.send(topic, if plant.is_some() { low } else { good }, true);
            if plant.is_none() {
                self.ended(What::BatteryLow, input);
            }
        }
    }

    fn tick(&mut self) {
        for _ in 0..4 {
            let due = self.engine.as_ref().and_then(Engine::deadline);
            if due.is_none_or(|at| at > self.clock().moment) {
                return;
            }
            self.tell(Event::Tick);
        }
    }

    fn send(&mut self, topic: &str, payload: &str, stored: bool) {
        if self.is_up() {
            self.messages += 1;
            self.tell(Event::Message(message(topic, payload, stored)));
        }
    }

    fn tell(&mut self, event: Event) {
        let now = self.clock();
        let Some(engine) = &mut self.engine else { return };
        let mut effects = Vec::new();
        engine.handle(now, event, &mut effects);
        self.carry_out(effects);
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Install(install) => {
                    self.detecting.install(install, false).expect("a built-in detector is there");
                }
                Effect::Remove(id) => self.detecting.remove(&id),
                Effect::Feed(feed) => self.feed(feed),
                Effect::Blind(told) => self.blind(&told),
                Effect::DetectorStopped(told) => {
                    let message = messages::detector_stopped(&told, "");
                    self.put(&message);
                }
                _ => {}
            }
        }
    }

    fn feed(&mut self, feed: Feed) {
        let machine = feed.id.machine.to_string();
        let plant = self.plant(What::DetectorOut, &machine);
        let Some(mut assessed) = self.detecting.feed(feed) else { return };
        if let Some(index) = plant {
            assessed.outcome = stopped();
            self.began(index, self.now);
        } else {
            self.ended(What::DetectorOut, &machine);
        }
        self.tell(Event::Assessed(assessed));
    }

    fn blind(&mut self, told: &BlindSpotsTold) {
        let sentence = blind::blind_spots(told, &std::collections::BTreeMap::new());
        let message = messages::blind_spots(told, &sentence);
        if self.trace {
            println!("  {:>8} {}{sentence}", self.now, if told.urgent { "URGENT " } else { "" });
        }
        self.put(&message);
    }

    /// Told to people, and put on record.
    fn put(&mut self, message: &Told) {
        for spot in &message.blind {
            let of = spot.machine.as_deref().or(spot.input.as_deref()).unwrap_or_default();
            self.judge.told(self.now, &spot.kind, of, message.over, message.urgent);
        }
        self.journal.push(text(message));
    }
}
