//! Two coupled guards in the very engine: a mill, and an extraction that it needs. Every order of so many events, from
//! several beginnings, is lived through anew and judged by what was delivered and ordered. However each of them ends,
//! two deferrals that are asked for then both come about: neither waits for the other.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use anyhow::{Result, anyhow};
use bytes::Bytes;
use idlegate_detectors::{Execution, Modules};
use idlegate_engine::{Effect, Engine, Former};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{Cause, Switch};
use idlegate_plan::event::{Assessed, Assessment, Event, Feed, LinkState, Message, Value, Verdict};
use idlegate_plan::{NeededBy, Plan, SharedPlan};
use idlegate_rules::{Folder, Problem, Surroundings, SystemSecrets, compile};

const BEGIN: Moment = Moment(1_000_000);
const RUN_ON: Span = Span::secs(3);
const WORK_WATTS: f64 = 800.0;
/// Settling, notice and running on, and a second for each of them.
const BOTH_OFF_WITHIN_SECS: u64 = 12;

const SHOP: &str = "title = \"Two machines\"\n[broker]\nhost = \"127.0.0.1\"\nport = 1883\n\
                    [guard]\nhold_longer = false\nsettle_for = \"1s\"\nnotice = \"1s\"\n";
const INPUTS: &str = "[inputs.console]\nplace = \"shop\"\nmachines = \"all\"\n";
const MILL: &str = "title = \"Mill\"\nneeds_on = [\"extraction\"]\n[outlet]\npower = \"power\"\n\
                    state = { topic = \"outlets/mill/says\" }\norder = { topic = \"outlets/mill/order\" }\n\
                    [signals.power]\ntopic = \"meters/mill\"\nunit = \"W\"\nstale_after = \"30s\"\n\
                    [[detectors]]\nuse = \"power-threshold\"\n\
                    settings = { busy_watts = 100, quiet_watts = 50, dwell = \"1 s\" }\n";
const EXTRACTION: &str = "title = \"Extraction\"\nneeded_by = { machines = [\"mill\"], run_on = \"3s\" }\n[outlet]\n\
                          state = { topic = \"outlets/extraction/says\" }\n\
                          order = { topic = \"outlets/extraction/order\" }\n";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    /// The mill's meter shows it at work, or at rest.
    Works,
    Rests,
    MillSays(Switch),
    /// The link is lost, or is back.
    Link,
    Asks(&'static str, &'static str),
    Second,
    Reload,
}

const STEPS: [Step; 10] = [
    Step::Works,
    Step::Rests,
    Step::MillSays(Switch::Off),
    Step::MillSays(Switch::On),
    Step::Link,
    Step::Asks("extraction", "off"),
    Step::Asks("extraction", "off-once-idle"),
    Step::Asks("mill", "off-once-idle"),
    Step::Second,
    Step::Reload,
];

/// All at rest for long enough; at work; and at work while both are waited for.
const BEGINNINGS: [&[Step]; 3] = [
    &[Step::Second, Step::Second, Step::Second],
    &[Step::Works, Step::Second],
    &[Step::Works, STEPS[6], STEPS[7], Step::Second, Step::Rests],
];

/// Mistakes of a program around the two guards, or of whoever couples them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Plant {
    WorkUnheard,
    LinkLossUnheard,
    RunOnForgotten,
    EachNeedsTheOther,
}

const PLANTS: [Plant; 4] =
    [Plant::WorkUnheard, Plant::LinkLossUnheard, Plant::RunOnForgotten, Plant::EachNeedsTheOther];

impl Plant {
    const fn words(self) -> &'static str {
        match self {
            Plant::WorkUnheard => "a follower does not hear that its leader works",
            Plant::LinkLossUnheard => "a follower takes what was known before an outage for known",
            Plant::RunOnForgotten => "a follower does not run on",
            Plant::EachNeedsTheOther => "each of two machines waits for the other",
        }
    }
}

pub(crate) struct Sum {
    pub(crate) courses: usize,
    /// The first course that breaks a claim, and how.
    pub(crate) broken: Option<String>,
    pub(crate) planted: usize,
    pub(crate) found: usize,
}

pub(crate) fn run(short: bool) -> Result<Sum> {
    let plan = plan()?;
    let begun = Instant::now();
    let depth = if short { 4 } else { 5 };
    let (courses, broken) = explore(&plan, depth, None);
    println!(
        "{:<22} {courses:>9} courses of {depth} events, {:.1} s",
        "leader and follower",
        begun.elapsed().as_secs_f64()
    );
    broken.iter().for_each(|what| println!("  BROKEN: {what}"));
    let mut found = 0;
    for plant in PLANTS {
        let (_, what) = explore(&plan, depth, Some(plant));
        found += usize::from(what.is_some());
        println!(
            "planted: {:<52} {}",
            plant.words(),
            what.map_or("NOT FOUND".to_owned(), |what| format!("found: {what}"))
        );
    }
    Ok(Sum { courses, broken, planted: PLANTS.len(), found })
}

fn plan() -> Result<Plan> {
    let modules = Modules::new(Execution::Automatic, None)?;
    let texts = [
        ("shop.toml", SHOP),
        ("inputs.toml", INPUTS),
        ("machines/mill.toml", MILL),
        ("machines/extraction.toml", EXTRACTION),
    ];
    let folder = Folder::from_texts(Path::new("two-machines"), texts);
    let around = Surroundings { detectors: &modules, secrets: &SystemSecrets::SERVICE };
    let compiled = compile(&folder, &around).map_err(|problems| {
        anyhow!("{}", problems.iter().map(Problem::render).collect::<Vec<_>>().join("\n"))
    })?;
    Ok(compiled.plan)
}

/// What the rules would not let anybody write is put into the plan itself.
fn misled(plan: &Plan, plant: Option<Plant>) -> Plan {
    let mut plan = plan.clone();
    let names: Vec<_> = plan.machines.iter().map(|machine| machine.name.clone()).collect();
    for machine in plan.machines.iter_mut() {
        let needed_by = &mut machine.interlocks.needed_by;
        match plant {
            Some(Plant::RunOnForgotten) => {
                needed_by.iter_mut().for_each(|needed_by| needed_by.run_on = Span::ZERO);
            }
            Some(Plant::EachNeedsTheOther) if needed_by.is_none() => {
                let machines = names.iter().filter(|name| **name != machine.name).cloned().collect();
                *needed_by = Some(NeededBy { machines, run_on: RUN_ON, may_remain: None });
            }
            Some(_) | None => {}
        }
    }
    plan
}

/// Every course of so many events, until one breaks a claim.
fn explore(plan: &Plan, depth: usize, plant: Option<Plant>) -> (usize, Option<String>) {
    let plan: SharedPlan = Arc::new(misled(plan, plant));
    let mut courses = 0;
    for beginning in BEGINNINGS {
        let mut choice = vec![0; depth];
        loop {
            courses += 1;
            let chosen: Vec<Step> = choice.iter().map(|at| STEPS[*at]).collect();
            if let Some(fault) = Course::new(&plan, plant).live(beginning, &chosen) {
                return (courses, Some(format!("{fault}, after {beginning:?} and {chosen:?}")));
            }
            let Some(place) = choice.iter().rposition(|at| at + 1 < STEPS.len()) else { break };
            choice[place] += 1;
            choice[place + 1..].fill(0);
        }
    }
    (courses, None)
}

struct Course {
    plan: SharedPlan,
    plant: Option<Plant>,
    engine: Engine,
    now: Moment,
    link: bool,
    /// What the mill's meter last showed.
    works: bool,
    /// Since when the mill has been at rest without a break, as far as was delivered.
    at_rest_since: Option<Moment>,
    ordered_off: BTreeSet<String>,
    fault: Option<String>,
}

impl Course {
    fn new(plan: &SharedPlan, plant: Option<Plant>) -> Course {
        let now = Now { moment: BEGIN, wall: WallTime(1_764_000_000_000) };
        let mut course = Course {
            plan: plan.clone(),
            plant,
            engine: Engine::new(plan.clone(), &Former::default(), now),
            now: BEGIN,
            link: false,
            works: false,
            at_rest_since: None,
            ordered_off: BTreeSet::new(),
            fault: None,
        };
        let mut effects = Vec::new();
        course.engine.start(now, &mut effects);
        course.carry_out(effects);
        course.begin_anew();
        course
    }

    /// Both are on and in sight, and the mill is at rest.
    fn begin_anew(&mut self) {
        if !self.link {
            self.happen(Step::Link);
        }
        self.ordered_off.clear();
        self.says("outlets/extraction/says", "on");
        self.happen(Step::MillSays(Switch::On));
        self.happen(Step::Rests);
    }

    fn live(mut self, beginning: &[Step], chosen: &[Step]) -> Option<String> {
        for step in beginning.iter().chain(chosen) {
            self.happen(*step);
        }
        // So long that nothing that is asked is the same gesture still.
        self.begin_anew();
        (0..3).for_each(|_| self.happen(Step::Second));
        if !self.ordered_off.is_empty() {
            // Somebody's earlier wish has come about meanwhile.
            self.begin_anew();
        }
        ["extraction", "mill"].iter().for_each(|machine| self.happen(Step::Asks(machine, "off-once-idle")));
        for _ in 0..BOTH_OFF_WITHIN_SECS {
            self.happen(Step::Rests);
            self.happen(Step::Second);
        }
        let both = ["extraction", "mill"].iter().all(|machine| self.ordered_off.contains(*machine));
        let waits = (!both).then(|| format!("of two deferrals only {:?} came about", self.ordered_off));
        self.fault.or(waits)
    }

    fn happen(&mut self, step: Step) {
        match step {
            Step::Second => self.second(),
            Step::Reload => {
                let mut plan = (*self.plan).clone();
                plan.digest = format!("{} again", self.now.0);
                let mut effects = Vec::new();
                self.engine.adopt(Arc::new(plan), &BTreeSet::new(), self.clock(), &mut effects);
                self.carry_out(effects);
            }
            Step::Link => {
                self.link = !self.link;
                if !self.link {
                    self.at_rest_since = None;
                    if self.plant == Some(Plant::LinkLossUnheard) {
                        return;
                    }
                }
                let state = if self.link { LinkState::Up } else { LinkState::Down { why: "gone".into() } };
                self.tell(Event::Link(state));
            }
            // Nothing is delivered without a link.
            _ if !self.link && self.plant != Some(Plant::LinkLossUnheard) => {}
            Step::Works => {
                (self.works, self.at_rest_since) = (true, None);
                if self.plant != Some(Plant::WorkUnheard) {
                    self.says("meters/mill", "800");
                }
            }
            Step::Rests => {
                self.works = false;
                if self.link {
                    self.at_rest_since = self.at_rest_since.or(Some(self.now));
                }
                self.says("meters/mill", "3");
            }
            Step::MillSays(switch) => {
                self.at_rest_since = match switch {
                    Switch::Off => self.at_rest_since.or(Some(self.now)),
                    Switch::On => self.at_rest_since.filter(|_| !self.works),
                };
                self.says("outlets/mill/says", switch.word());
            }
            Step::Asks(machine, request) => {
                let ask = format!(r#"{{"machine":"{machine}","request":"{request}"}}"#);
                self.says("idlegate/request/console", &ask);
            }
        }
    }

    fn second(&mut self) {
        let end = self.now + Span::secs(1);
        while let Some(due) = self.engine.deadline().filter(|due| *due <= end) {
            self.now = self.now.max(due);
            self.tell(Event::Tick);
        }
        self.now = end;
    }

    fn clock(&self) -> Now {
        let passed = i64::try_from(self.now.since(BEGIN).0).unwrap_or(i64::MAX);
        Now { moment: self.now, wall: WallTime(1_764_000_000_000 + passed) }
    }

    fn says(&mut self, topic: &str, payload: &str) {
        self.tell(Event::Message(Message {
            topic: topic.into(),
            payload: Bytes::from(payload.to_owned()),
            retained: false,
            proved: true,
            ours: false,
            age: Span::ZERO,
            response_topic: None,
            correlation: None,
        }));
    }

    fn tell(&mut self, event: Event) {
        let mut effects = Vec::new();
        self.engine.handle(self.clock(), event, &mut effects);
        self.carry_out(effects);
    }

    /// Detectors answer at once, and outlets obey.
    fn carry_out(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Feed(feed) => self.assess(feed),
                Effect::Order(order) => {
                    if (order.switch, order.cause) == (Switch::Off, Cause::Plain) {
                        self.judge(order.machine.as_str());
                        self.ordered_off.insert(order.machine.to_string());
                    }
                    let (topic, word) = (format!("outlets/{}/says", order.machine), order.switch.word());
                    if order.machine.as_str() == "mill" {
                        self.happen(Step::MillSays(order.switch));
                    } else {
                        self.says(&topic, word);
                    }
                }
                _ => {}
            }
        }
    }

    /// A plain off of the follower comes only when its leader has been at rest for long enough.
    fn judge(&mut self, machine: &str) {
        let is_clear = self.at_rest_since.is_some_and(|since| self.now >= since + RUN_ON);
        if machine == "extraction" && !is_clear {
            let after = self.now.since(BEGIN);
            self.fault
                .get_or_insert(format!("the follower is off after {after} and its leader is not clear"));
        }
    }

    fn assess(&mut self, feed: Feed) {
        let Some((_, reading)) = feed.readings.last() else { return };
        let verdict = match reading.value {
            Value::Number(watts) if watts >= WORK_WATTS => Verdict::Busy,
            Value::Number(_) => Verdict::Idle,
            Value::Text(_) => Verdict::Unknown,
        };
        let said = Assessment { verdict, reason: "seen".into(), evidence: Vec::new(), clears_in: None };
        self.tell(Event::Assessed(Assessed {
            machine: feed.id.machine,
            detector: feed.id.detector,
            generation: feed.generation,
            feed: feed.feed,
            at: self.now,
            outcome: Ok(said),
        }));
    }
}
