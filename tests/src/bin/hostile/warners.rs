//! Hostile detectors that only warn, each beside the real detector of its machine, in the real engine and the real
//! sandbox through an hour of virtual time: nothing is ordered, held or decided otherwise than without them, on their
//! own machine or on the next, and people hear of each no more than once a minute.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Result, anyhow};
use bytes::Bytes;
use idlegate_detectors::{Execution, Inline, Modules};
use idlegate_engine::{Effect, Engine, Former, Order};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{Cause, Switch};
use idlegate_plan::event::{Assessed, DetectorFault, DetectorId, Event, Install, LinkState, Message, Name};
use idlegate_plan::text::hex;
use idlegate_plan::{DetectorUse, ModuleSource, Plan, Role, Watch, WatchWhile};
use idlegate_rules::{Folder, Problem, Surroundings, SystemSecrets, compile};
use sha2::{Digest, Sha256};

use crate::corpus;
use crate::handmade::{ASSESSMENT, Handmade, REASON};

const BEGIN: Moment = Moment(1_000_000);
const LASTS_SECS: u64 = 3_600;
const READ_EVERY_SECS: u64 = 5;
/// Nobody asks for anything before; so nothing at all may be ordered.
const ASKED_FROM_SECS: u64 = 1_200;
const MINUTE: Span = Span::secs(60);
const MACHINES: [&str; 2] = ["mill", "kiln"];
const HOSTILE: &str = "hostile";

const SHOP: &str = "title = \"Hostile shop\"\n[broker]\nhost = \"127.0.0.1\"\nport = 1883\n";
const INPUTS: &str = "[inputs.console]\nplace = \"shop\"\nmachines = \"all\"\nmay_force = true\n";

/// Mistakes of a program around the engine, each of which has to show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Plant {
    WarningsHold,
    EveryWordIsTold,
    WarningsCut,
}

const PLANTS: [Plant; 3] = [Plant::WarningsHold, Plant::EveryWordIsTold, Plant::WarningsCut];

pub(crate) struct Sum {
    pub(crate) tried: usize,
    /// What people were told because of them.
    pub(crate) warnings: usize,
    pub(crate) surprises: usize,
    pub(crate) planted: usize,
    pub(crate) found: usize,
}

pub(crate) fn run() -> Result<Sum> {
    let modules = Modules::new(Execution::Automatic, None)?;
    let plan = plan(&modules)?;
    let dir = tempfile::tempdir()?;
    let files: Vec<(&str, Vec<u8>)> = chatterers().into_iter().chain(corpus::all()).collect();
    let mut sum = Sum { tried: files.len(), warnings: 0, surprises: 0, planted: PLANTS.len(), found: 0 };
    let bare = Hour::of(plan.clone(), &modules, None)?;
    let mut loudest = None;
    for (name, file) in &files {
        let with = beside(&plan, file, dir.path())?;
        let hour = Hour::of(with.clone(), &modules, None)?;
        let warnings = hour.warned.len();
        sum.warnings += warnings;
        let faults = hour.faults(&bare);
        sum.surprises += usize::from(!faults.is_empty());
        let mark =
            if faults.is_empty() { String::new() } else { format!("UNEXPECTED: {}; ", faults.join("; ")) };
        println!("{name:<44} {mark}{warnings} warnings, {} times stopped", hour.stopped);
        if loudest.as_ref().is_none_or(|(most, _)| warnings > *most) {
            loudest = Some((warnings, with));
        }
    }
    let (_, loudest) = loudest.ok_or_else(|| anyhow!("there are no hostile detectors"))?;
    for plant in PLANTS {
        let faults = Hour::of(loudest.clone(), &modules, Some(plant))?.faults(&bare);
        let first = faults.first();
        sum.found += usize::from(first.is_some());
        println!("planted: {plant:?}: {}", first.map_or("NOT found", String::as_str));
    }
    Ok(sum)
}

fn plan(modules: &Modules) -> Result<Plan> {
    let machine = |name: &str| {
        let text = format!(
            "title = \"{name}\"\n[outlet]\npower = \"power\"\n[outlet.state]\ntopic = \"outlets/{name}/says\"\n\
             [outlet.order]\ntopic = \"outlets/{name}/order\"\n[signals.power]\ntopic = \"meters/{name}\"\nunit = \"W\"\n\
             stale_after = \"30s\"\n[[detectors]]\nuse = \"power-threshold\"\n\
             settings = {{ busy_watts = 100, quiet_watts = 50, dwell = \"20 s\" }}\n"
        );
        (format!("machines/{name}.toml"), text)
    };
    let machines = MACHINES.map(machine);
    let texts = [("shop.toml", SHOP), ("inputs.toml", INPUTS)];
    let texts = texts.into_iter().chain(machines.iter().map(|(path, text)| (path.as_str(), text.as_str())));
    let folder = Folder::from_texts(Path::new("hostile-shop"), texts);
    let around = Surroundings { detectors: modules, secrets: &SystemSecrets::SERVICE };
    let compiled = compile(&folder, &around).map_err(|problems| {
        anyhow!("{}", problems.iter().map(Problem::render).collect::<Vec<_>>().join("\n"))
    })?;
    Ok(compiled.plan)
}

/// The same shop, in which the mill is also warned of by this file.
fn beside(plan: &Plan, file: &[u8], dir: &Path) -> Result<Plan> {
    let sha256 = hex(&Sha256::digest(file));
    let path = dir.join(format!("{sha256}.wasm"));
    std::fs::write(&path, file)?;
    let mut plan = plan.clone();
    let (mill, _) = plan.machine(MACHINES[0]).ok_or_else(|| anyhow!("the shop has a mill"))?;
    let holds = plan.machines[mill].detectors[idlegate_plan::DetectorIx(0)].clone();
    plan.machines[mill].detectors.push(DetectorUse {
        name: Name::new(HOSTILE).expect("a name"),
        module: ModuleSource::File { path, sha256: Some(sha256), pinned: false },
        settings: serde_json::json!({}),
        role: Role::Warn(Watch { during: WatchWhile::Always, lasting: Span::ZERO }),
        ..holds
    });
    Ok(plan)
}

/// Detectors that do nothing forbidden, and talk as much as they can.
fn chatterers() -> Vec<(&'static str, Vec<u8>)> {
    let says = |verdict: &str| {
        // Another reason each time.
        let assess = format!(
            "(i32.store8 (i32.const {ASSESSMENT}) {verdict})
            (i32.store8 (i32.const {}) (i32.add (i32.const 48) (i32.rem_u (global.get $seen) (i32.const 10))))
            (i32.const {ASSESSMENT})",
            REASON + 5
        );
        Handmade { assess, ..Handmade::default() }.file()
    };
    let drawn = "(i32.rem_u (i32.shr_u (i32.mul (global.get $seen) (i32.const 1103515245)) (i32.const 7)) (i32.const 3))";
    vec![
        ("always warns", says("(i32.const 0)")),
        ("warns every other time", says("(i32.rem_u (global.get $seen) (i32.const 2))")),
        (
            "warns, knows nothing, warns",
            says("(i32.mul (i32.rem_u (global.get $seen) (i32.const 2)) (i32.const 2))"),
        ),
        ("says anything", says(drawn)),
    ]
}

/// One hour of both machines, and what came of it.
struct Hour<'a> {
    engine: Engine,
    inline: Inline,
    modules: &'a Modules,
    plant: Option<Plant>,
    now: Moment,
    /// What was decided, ordered and shown of the machines: the same without anybody who only warns.
    course: Vec<String>,
    ordered_unasked: Vec<String>,
    warned: Vec<(Moment, Name)>,
    stopped: usize,
}

impl<'a> Hour<'a> {
    fn of(mut plan: Plan, modules: &'a Modules, plant: Option<Plant>) -> Result<Hour<'a>> {
        if plant == Some(Plant::WarningsHold) {
            let uses = plan.machines.iter_mut().flat_map(|machine| machine.detectors.iter_mut());
            uses.filter(|uses| uses.name.as_str() == HOSTILE).for_each(|uses| uses.role = Role::Hold);
        }
        let now = Now { moment: BEGIN, wall: WallTime(1_764_000_000_000) };
        let mut hour = Hour {
            engine: Engine::new(Arc::new(plan), &Former::default(), now),
            inline: Inline::new(),
            modules,
            plant,
            now: BEGIN,
            course: Vec::new(),
            ordered_unasked: Vec::new(),
            warned: Vec::new(),
            stopped: 0,
        };
        let mut effects = Vec::new();
        hour.engine.start(now, &mut effects);
        hour.carry_out(effects);
        hour.tell(Event::Link(LinkState::Up));
        MACHINES.iter().for_each(|machine| hour.says(&format!("outlets/{machine}/says"), "on"));
        for secs in 0..LASTS_SECS {
            hour.second(secs);
        }
        Ok(hour)
    }

    /// The mill works in turns of four minutes, the kiln in turns of seven; each is asked off and on again, in work and
    /// out of it.
    fn second(&mut self, secs: u64) {
        let end = BEGIN + Span::secs(secs + 1);
        for (machine, turn) in MACHINES.iter().zip([240, 420]) {
            if secs.is_multiple_of(READ_EVERY_SECS) {
                let watts = if (secs / turn).is_multiple_of(2) { "800" } else { "3" };
                self.says(&format!("meters/{machine}"), watts);
            }
            if secs >= ASKED_FROM_SECS && secs.is_multiple_of(turn / 3) {
                let kind =
                    ["off", "off-once-idle", "on"][usize::try_from(secs / (turn / 3) % 3).unwrap_or(0)];
                let ask = format!(r#"{{"machine":"{machine}","request":"{kind}"}}"#);
                self.says("idlegate/request/console", &ask);
            }
            self.show(machine);
        }
        while let Some(due) = self.engine.deadline().filter(|due| *due < end) {
            self.now = self.now.max(due);
            self.tell(Event::Tick);
        }
        self.now = end;
    }

    fn show(&mut self, machine: &str) {
        let Some((index, _)) = self.engine.plan().machine(machine) else { return };
        let status = self.engine.status(self.now, index);
        let (state, outlet, deferral) = (status.state, status.outlet, status.deferral.map(|it| it.acts_in));
        self.course.push(format!("{} {machine} {state:?} {outlet:?} {deferral:?}", self.now.0));
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

    fn clock(&self) -> Now {
        let passed = i64::try_from(self.now.since(BEGIN).0).unwrap_or(i64::MAX);
        Now { moment: self.now, wall: WallTime(1_764_000_000_000 + passed) }
    }

    fn tell(&mut self, event: Event) {
        let mut effects = Vec::new();
        self.engine.handle(self.clock(), event, &mut effects);
        self.carry_out(effects);
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        let mut next = Vec::new();
        for effect in effects {
            match effect {
                Effect::Install(install) => next.extend(self.install(&install)),
                Effect::Remove(id) => self.inline.remove(&id),
                Effect::Feed(feed) => {
                    let Some(assessed) = self.inline.feed(feed) else { continue };
                    if self.plant == Some(Plant::EveryWordIsTold) && self.is_hostile(&assessed) {
                        self.warned.push((self.now, assessed.machine.clone()));
                    }
                    next.push(Event::Assessed(assessed));
                }
                Effect::Order(order) => next.push(self.obey(&order)),
                Effect::Decided(decided) => {
                    let (at, machine, why) = (self.now.0, &decided.machine, decided.why.word());
                    self.course.push(format!("{at} {machine:?} {} {why}", decided.decision.word()));
                }
                Effect::Warned(told) if !told.over => {
                    self.warned.push((self.now, told.machine.clone()));
                    if self.plant == Some(Plant::WarningsCut) {
                        let (switch, cause) = (Switch::Off, Cause::Plain);
                        next.push(self.obey(&Order {
                            machine: told.machine,
                            switch,
                            cause,
                            resend: 0,
                            shadow: false,
                        }));
                    }
                }
                Effect::DetectorStopped(told) if !told.over => self.stopped += 1,
                _ => {}
            }
        }
        next.into_iter().for_each(|event| self.tell(event));
    }

    fn is_hostile(&self, assessed: &Assessed) -> bool {
        let machine = self.engine.plan().machine(assessed.machine.as_str());
        machine.is_some_and(|(_, machine)| machine.detectors[assessed.detector].name.as_str() == HOSTILE)
    }

    fn install(&mut self, install: &Install) -> Option<Event> {
        let DetectorId { machine, detector } = install.id.clone();
        match self.modules.installation(install) {
            Ok(installation) => {
                self.inline.install(install.id.clone(), install.generation, installation);
                None
            }
            Err(why) => Some(Event::Assessed(Assessed {
                machine,
                detector,
                generation: install.generation,
                feed: 0,
                at: self.now,
                outcome: Err(DetectorFault::NotLoaded(why)),
            })),
        }
    }

    /// The outlet does as it is told, and says so.
    fn obey(&mut self, order: &Order) -> Event {
        let (machine, word) = (&order.machine, order.switch.word());
        let told = format!("{} {machine} is ordered {word}", self.now.0);
        if self.now < BEGIN + Span::secs(ASKED_FROM_SECS) {
            self.ordered_unasked.push(told.clone());
        }
        self.course.push(told);
        Event::Message(Message {
            topic: format!("outlets/{machine}/says").into(),
            payload: Bytes::from(word),
            retained: false,
            proved: true,
            ours: false,
            age: Span::ZERO,
            response_topic: None,
            correlation: None,
        })
    }

    /// What is otherwise than in the same hour without anybody who warns, or told too often.
    fn faults(&self, bare: &Hour<'_>) -> Vec<String> {
        let mut faults = self.ordered_unasked.clone();
        let otherwise = self.course.iter().zip(&bare.course).find(|(one, other)| one != other);
        if let Some((with, without)) = otherwise {
            faults.push(format!("{with}, and without it {without}"));
        } else if self.course.len() != bare.course.len() {
            faults.push(format!("{} things happened instead of {}", self.course.len(), bare.course.len()));
        }
        for machine in MACHINES {
            let told: Vec<Moment> =
                self.warned.iter().filter(|(_, of)| of.as_str() == machine).map(|(at, _)| *at).collect();
            if let Some(pair) = told.windows(2).find(|pair| pair[1].since(pair[0]) < MINUTE) {
                faults.push(format!("{machine} was warned of twice in {}", pair[1].since(pair[0])));
            }
            if machine != MACHINES[0] && !told.is_empty() {
                faults.push(format!("{machine} was warned of, and has nobody who warns"));
            }
        }
        faults
    }
}
