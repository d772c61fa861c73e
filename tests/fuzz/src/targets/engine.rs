//! The whole engine: anything on any of its topics, in any order, at any time. Whatever comes, what always holds must
//! hold.

use std::sync::{Arc, LazyLock};

use arbitrary::{Arbitrary, Unstructured};
use bytes::Bytes;
use idlegate_engine::{Effect, Engine, Former};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_guard::{Cause, Switch};
use idlegate_plan::Plan;
use idlegate_plan::event::{
    Assessed, Assessment, DetectorFault, Event, Feed, LinkState, Message, Value, Verdict,
};

const BUSY_WATTS: f64 = 100.0;
const STEPS_MAX: usize = 400;
const TOPICS: [&str; 6] = [
    "meters/mill",
    "outlets/mill/says",
    "buttons/mill",
    "contacts/red",
    "idlegate/request/console",
    "nobody/listens",
];
const RED: usize = 3;

static PLAN: LazyLock<Arc<Plan>> =
    LazyLock::new(|| Arc::new(idlegate_tests::shop::plan(1).unwrap_or_else(|error| panic!("{error}"))));

/// Prints every step, to understand what a file found does.
static SHOWN: LazyLock<bool> = LazyLock::new(|| std::env::var_os("IDLEGATE_FUZZ_SHOW").is_some());

#[derive(Debug, Arbitrary)]
enum Step {
    Draw(u16),
    Outlet(bool),
    Press,
    Hold,
    Red,
    Ask(u8),
    Anything {
        topic: u8,
        payload: Vec<u8>,
        retained: bool,
        age: u16,
    },
    Wait(u16),
    LongWait(u8),
    Link(bool),
    /// From now on it fails, or no longer.
    Detector(bool),
}

/// The detector of the shop, as simple as can be: the newest reading decides.
#[derive(Default)]
struct Detector {
    watts: Option<f64>,
    fails: bool,
}

impl Detector {
    fn answer(&mut self, feed: &Feed) -> Assessed {
        for (_, reading) in &feed.readings {
            if let Value::Number(watts) = reading.value {
                self.watts = Some(watts);
            }
        }
        let verdict = match self.watts {
            Some(watts) if watts > BUSY_WATTS => Verdict::Busy,
            Some(_) => Verdict::Idle,
            None => Verdict::Unknown,
        };
        let assessment =
            Assessment { verdict, reason: "as it draws".into(), evidence: Vec::new(), clears_in: None };
        Assessed {
            machine: feed.id.machine.clone(),
            detector: feed.id.detector,
            generation: feed.generation,
            feed: feed.feed,
            at: feed.assess_at,
            outcome: if self.fails { Err(DetectorFault::Stopped("it fails".into())) } else { Ok(assessment) },
        }
    }
}

struct Shop {
    engine: Engine,
    detector: Detector,
    now: Now,
    effects: Vec<Effect>,
    /// Of the last reading that was certainly one.
    drew: Option<f64>,
    /// What is taken now may be somebody at the red button.
    pressed: bool,
    locked: bool,
    asked: u64,
    answered: u64,
}

impl Shop {
    fn new() -> Shop {
        let now = Now { moment: Moment(1_000_000), wall: WallTime(1_795_574_300_000) };
        let engine = Engine::new(PLAN.clone(), &Former::default(), now);
        let mut shop = Shop {
            engine,
            detector: Detector::default(),
            now,
            effects: Vec::new(),
            drew: None,
            pressed: false,
            locked: false,
            asked: 0,
            answered: 0,
        };
        shop.engine.start(now, &mut shop.effects);
        shop.settle();
        shop.tell(Event::Link(LinkState::Up));
        shop
    }

    fn take(&mut self, step: Step) {
        // What goes over the link cannot come while it is down.
        let goes_over_it =
            !matches!(step, Step::Wait(_) | Step::LongWait(_) | Step::Link(_) | Step::Detector(_));
        if goes_over_it && !self.engine.link_is_up() {
            return;
        }
        match step {
            Step::Draw(watts) => {
                self.drew = Some(f64::from(watts));
                self.message(0, watts.to_string().into_bytes(), false, 0);
            }
            Step::Outlet(on) => self.message(1, if on { "on" } else { "off" }.into(), false, 0),
            Step::Press => self.message(2, "press".into(), false, 0),
            Step::Hold => self.message(2, "long-press".into(), false, 0),
            Step::Red => self.message(RED, "open".into(), false, 0),
            Step::Ask(what) => {
                let words =
                    ["off", "on", "flip", "force-off", "off-once-idle", "emergency-off", "lock", "unlock"];
                let word = words[usize::from(what) % words.len()];
                let body = format!(r#"{{"machine":"mill","request":"{word}"}}"#);
                self.asked += 1;
                self.message(4, body.into_bytes(), false, 0);
            }
            Step::Anything { topic, payload, retained, age } => {
                let topic = usize::from(topic) % TOPICS.len();
                // It may be a reading, and it may be any.
                if topic == 0 {
                    self.drew = None;
                }
                self.message(topic, payload, retained, age);
            }
            Step::Wait(millis) => self.wait(u64::from(millis)),
            Step::LongWait(seconds) => self.wait(u64::from(seconds) * 1_000),
            Step::Link(true) => self.tell(Event::Link(LinkState::Up)),
            Step::Link(false) => self.tell(Event::Link(LinkState::Down { why: "cut".into() })),
            Step::Detector(fails) => self.detector.fails = fails,
        }
    }

    fn message(&mut self, topic: usize, payload: Vec<u8>, retained: bool, age: u16) {
        self.pressed = topic == RED;
        self.tell(Event::Message(Message {
            topic: TOPICS[topic].into(),
            payload: Bytes::from(payload),
            retained,
            proved: !retained,
            ours: false,
            age: Span(u64::from(age)),
            response_topic: None,
            correlation: None,
        }));
        self.pressed = false;
    }

    fn wait(&mut self, millis: u64) {
        let until = self.now.moment + Span(millis);
        for _ in 0..1_000 {
            let Some(due) = self.engine.deadline().filter(|due| *due <= until) else { break };
            let step = due.since(self.now.moment).0;
            self.pass(step);
            self.tell(Event::Tick);
        }
        let left = until.since(self.now.moment).0;
        self.pass(left);
    }

    fn pass(&mut self, millis: u64) {
        self.now.moment = self.now.moment + Span(millis);
        self.now.wall = WallTime(self.now.wall.0.saturating_add_unsigned(millis));
    }

    fn tell(&mut self, event: Event) {
        self.engine.handle(self.now, event, &mut self.effects);
        self.settle();
    }

    /// Everything that follows, and what follows from that.
    fn settle(&mut self) {
        for _ in 0..100 {
            let effects = std::mem::take(&mut self.effects);
            if effects.is_empty() {
                return;
            }
            for effect in effects {
                self.judge(effect);
            }
        }
        panic!("the engine and its detector never come to rest");
    }

    fn judge(&mut self, effect: Effect) {
        match effect {
            Effect::Feed(feed) => {
                let answer = self.detector.answer(&feed);
                self.engine.handle(self.now, Event::Assessed(answer), &mut self.effects);
            }
            Effect::Order(order) => match (order.switch, order.cause) {
                (Switch::Off, Cause::Plain) => {
                    assert!(self.drew.is_none_or(|watts| watts <= BUSY_WATTS), "a working mill was cut");
                }
                (Switch::Off, Cause::Emergency) => {
                    // Sent again until the outlet has said off, however late that is, or somebody has released the
                    // mill.
                    assert!(self.pressed || self.locked, "an emergency that nobody declared");
                }
                (Switch::Off, Cause::Forced) => {}
                (Switch::On, _) => assert!(!self.locked, "a locked mill was switched on"),
            },
            Effect::Keep(kept) => self.locked = kept.state.is_locked(),
            Effect::Decided(decided) if decided.input.as_str() == "console" => self.answered += 1,
            _ => {}
        }
    }
}

pub(crate) fn engine(data: &[u8]) {
    let mut shop = Shop::new();
    let mut data = Unstructured::new(data);
    for _ in 0..STEPS_MAX {
        if data.is_empty() {
            break;
        }
        let Ok(step) = data.arbitrary::<Step>() else { break };
        if *SHOWN {
            println!("{:>8} {step:?}", shop.now.moment.0);
        }
        shop.take(step);
    }
    // Whatever waited is answered by now.
    shop.wait(10_000);
    assert!(shop.answered >= shop.asked, "{} of {} requests were answered", shop.answered, shop.asked);
    // And the way out is open, whatever happened before.
    shop.tell(Event::Link(LinkState::Up));
    shop.wait(10_000);
    let before = shop.locked;
    shop.message(RED, b"open".to_vec(), false, 0);
    assert!(shop.locked || before, "the red button was not obeyed");
}
