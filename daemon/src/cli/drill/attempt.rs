//! One item of the drill at one machine: what to do, how it is asked for, and what came of it.

use std::time::Duration;

use crate::cli::commission::dialogue::{Came, Dialogue, Told};
use crate::cli::commission::stays_off;
use bytes::Bytes;
use idlegate_engine as engine;
use idlegate_guard::RequestKind;
use idlegate_guard::time::Span;
use idlegate_link::Outgoing;
use idlegate_messages::{Decision, Health, MachineStatus, Request, Topics, read, text};
use idlegate_os::Clock;
use idlegate_plan::event::{Message, Name};
use idlegate_plan::text::rfc3339;
use idlegate_plan::{MachineIx, Plan};
use idlegate_setup::commission::{DrillOutcome, Item, Tried};
use idlegate_setup::drills::{Way, ways};

/// How long one item is waited for; Enter ends it before.
const TRY_FOR: Duration = Duration::from_secs(300);
const BEAT: Duration = Duration::from_millis(200);
/// A guard that is there is heard by then: the broker keeps what it says of itself.
const HEARD_WITHIN: Duration = Duration::from_secs(6);
/// The same request sooner than this would be the same gesture.
const AGAIN_AFTER: Duration = Duration::from_millis(2_200);
/// An outlet that goes on by itself after an unlock has said so by then.
const SETTLE: Duration = Duration::from_millis(1_500);

pub(super) struct Drill<'a> {
    pub(super) plan: &'a Plan,
    pub(super) machine: MachineIx,
    pub(super) shadow: bool,
}

/// How the machine stands, by a guard with these very rules; nothing without one.
pub(super) async fn stands(
    dialogue: &mut Dialogue,
    plan: &Plan,
    machine: MachineIx,
) -> Told<Option<MachineStatus>> {
    let topics = Topics::new(&plan.shop.prefix);
    let topic = topics.machine(plan.machines[machine].name.as_str());
    let until = tokio::time::Instant::now() + HEARD_WITHIN;
    loop {
        let health = dialogue.said.iter().filter(|(topic, _)| topics.health_site(topic).is_some());
        let mut health = health.map(|(_, payload)| Health::read(payload));
        let guards =
            health.any(|said| said.guarding().is_some_and(|it| it.rules.as_deref() == Some(&*plan.digest)));
        let status: Option<MachineStatus> = dialogue.said.get(&*topic).and_then(|payload| read(payload));
        if status.is_some() && guards {
            return Ok(status);
        }
        if tokio::time::Instant::now() >= until {
            return Ok(None);
        }
        dialogue.pause(BEAT).await;
    }
}

impl Drill<'_> {
    fn name(&self) -> &str {
        self.plan.machines[self.machine].name.as_str()
    }

    pub(super) async fn attempt(&self, dialogue: &mut Dialogue, item: Item) -> Told<Tried> {
        match item {
            Item::StaysOff => return stays_off(dialogue).await,
            Item::Unlocked if !self.is_locked(dialogue).await => {
                return Ok(tried(item, DrillOutcome::NotTried, String::new()));
            }
            Item::Forced => {
                let question = "May the power of the working machine be cut now? The job will be lost.";
                if !dialogue.yes(question, false).await? {
                    return Ok(tried(item, DrillOutcome::NotTried, String::new()));
                }
            }
            Item::MeterSilent => self.until_known(dialogue).await,
            Item::SeenIdle
            | Item::IdleOff
            | Item::SeenBusy
            | Item::Held
            | Item::OtherRoute
            | Item::Emergency
            | Item::Unlocked => {}
        }
        let came = self.wait_for(dialogue, item).await?;
        Ok(match came {
            _ if item != Item::Unlocked || came.outcome != DrillOutcome::Passed => came,
            // An unlock gives no power back.
            _ => self.stays_off_after(dialogue, came).await?,
        })
    }

    async fn wait_for(&self, dialogue: &mut Dialogue, item: Item) -> Told<Tried> {
        let ways = ways(self.plan, self.machine, item);
        let by_hand = ways.iter().find(|way| !matches!(way, Way::Request { .. }));
        let asks = ways.iter().find_map(|way| match way {
            Way::Request { input, request } => Some((input.clone(), *request)),
            Way::Gesture { .. } | Way::Contact { .. } => None,
        });
        let mut to_ask = by_hand.is_none() && asks.is_some();
        dialogue.say(&format!("\n* {}", self.words(item, by_hand)));
        dialogue.say(match (to_ask, &asks) {
            (true, _) => "  Press Enter, and Idlegate asks for it through the guard's own input. (Or: skip.)",
            (false, Some(_)) => {
                "  (If it does not happen, press Enter. Or: skip. Or: ask, and Idlegate asks instead of you.)"
            }
            (false, None) => "  (If it does not happen, press Enter. Or: skip.)",
        });
        let (prefix, name) = (self.plan.shop.prefix.clone(), self.name().to_owned());
        // How it stood before counts where the item is about how it stands.
        let topic = Topics::new(&prefix).machine(&name);
        let stands = matches!(item, Item::SeenIdle | Item::SeenBusy);
        let mut known = dialogue.said.get(&*topic).cloned().filter(|_| stands);
        let mut ready = item != Item::MeterSilent || is_known(self.status(dialogue).as_ref());
        loop {
            if let Some(payload) = known.take()
                && let Some((outcome, heard)) = item.settled_by(&prefix, &name, &stored(&topic, payload))
            {
                return Ok(tried(item, outcome, heard));
            }
            let judge = |_, message: &Message| {
                // A meter that is silent already shows nothing: it has to fall silent.
                if !ready {
                    ready = *message.topic == *topic && is_known(read(&message.payload).as_ref());
                    return None;
                }
                item.settled_by(&prefix, &name, message)
            };
            match dialogue.wait(Some(TRY_FOR), judge).await? {
                Came::That((outcome, heard)) => return Ok(tried(item, outcome, heard)),
                Came::Line(line) if line == "skip" => {
                    return Ok(tried(item, DrillOutcome::NotTried, String::new()));
                }
                Came::Line(line) if to_ask && line.is_empty() || line == "ask" => {
                    to_ask = false;
                    if let Some((input, request)) = &asks
                        && let Some((outcome, heard)) = self.ask(dialogue, item, input, *request).await?
                    {
                        return Ok(tried(item, outcome, heard));
                    }
                }
                Came::Line(_) | Came::TimeOver => {
                    let question = "What happened instead? (for the record)";
                    let why = dialogue.ask(question, Some("nothing happened")).await?;
                    return Ok(tried(item, DrillOutcome::Failed, why));
                }
            }
        }
    }

    /// Asks as somebody at that input would, and waits for what comes of it. A force is asked for twice, the second
    /// time with the token of the first one's answer.
    async fn ask(
        &self,
        dialogue: &mut Dialogue,
        item: Item,
        input: &Name,
        request: RequestKind,
    ) -> Told<Option<(DrillOutcome, String)>> {
        let (prefix, name) = (&self.plan.shop.prefix, self.name());
        let response = format!("{prefix}/answer/{input}/drill-{:x}", std::process::id());
        let mut confirm = None;
        let mut asked_at = None;
        for _ in 0..2 {
            if let Some(at) = asked_at.replace(tokio::time::Instant::now()) {
                dialogue.pause(AGAIN_AFTER.saturating_sub(at.elapsed())).await;
            }
            let id = format!("drill-{:x}-{:x}", std::process::id(), Clock.now().wall.0);
            let (machine, word) = (Some(name.to_owned()), request.word().to_owned());
            let body = Request { confirm, id: Some(id), machine, request: word, ..Request::default() };
            let topic = engine::request_topic(prefix, input.as_str());
            let mut outgoing = Outgoing::event(&topic, Bytes::from(text(&body)), Clock.now().moment);
            outgoing.response_topic = Some(response.as_str().into());
            outgoing.expiry = Some(Span::secs(2));
            dialogue.connection.send(outgoing)?;
            let mut settled = None;
            let answered = dialogue
                .wait(Some(HEARD_WITHIN), |_, message| {
                    settled = settled.take().or_else(|| item.settled_by(prefix, name, message));
                    (*message.topic == *response).then(|| read::<Decision>(&message.payload)).flatten()
                })
                .await?;
            if settled.is_some() {
                return Ok(settled);
            }
            let Came::That(decision) = answered else { return Ok(None) };
            let again = item == Item::Forced && decision.decision == "held";
            confirm = decision.confirm.map(|confirm| confirm.token);
            if !again {
                // Everybody hears the decision a moment after whoever asked.
                let (prefix, judge) = (prefix.clone(), |message: &Message, prefix: &str| {
                    item.settled_by(prefix, name, message)
                });
                let came = dialogue.wait(Some(SETTLE), |_, message| judge(message, &prefix)).await?;
                return Ok(match came {
                    Came::That(settled) => Some(settled),
                    Came::Line(_) | Came::TimeOver => None,
                });
            }
        }
        Ok(None)
    }

    fn status(&self, dialogue: &Dialogue) -> Option<MachineStatus> {
        let topic = Topics::new(&self.plan.shop.prefix).machine(self.name());
        dialogue.said.get(&*topic).and_then(|payload| read(payload))
    }

    /// After what came before, the guard may have to make up its mind first.
    async fn until_known(&self, dialogue: &mut Dialogue) {
        let until = tokio::time::Instant::now() + HEARD_WITHIN;
        while !is_known(self.status(dialogue).as_ref()) && tokio::time::Instant::now() < until {
            dialogue.pause(BEAT).await;
        }
    }

    async fn is_locked(&self, dialogue: &mut Dialogue) -> bool {
        dialogue.pause(SETTLE).await;
        self.status(dialogue).is_some_and(|status| status.locked_by.is_some())
    }

    async fn stays_off_after(&self, dialogue: &mut Dialogue, came: Tried) -> Told<Tried> {
        dialogue.pause(SETTLE).await;
        let is_on = self.status(dialogue).is_some_and(|status| status.outlet == "on");
        Ok(if is_on {
            tried(came.item, DrillOutcome::Failed, "it came on by itself".to_owned())
        } else {
            came
        })
    }

    fn words(&self, item: Item, by_hand: Option<&Way>) -> String {
        let press = |otherwise: &str| match by_hand {
            Some(Way::Gesture { input, gesture }) => format!("use {input} once ({gesture})"),
            Some(Way::Contact { input }) => format!("push {input}, and release it again"),
            Some(Way::Request { .. }) | None => otherwise.to_owned(),
        };
        match item {
            Item::SeenIdle => "Leave the machine on and idle, for as long as the rules ask.".to_owned(),
            Item::IdleOff => {
                format!("With the machine on and idle, {}. It should go off.", press("an off is asked for"))
            }
            Item::SeenBusy => {
                "Switch it on again after a few seconds, and start a job that you can afford to lose.".to_owned()
            }
            Item::Held => {
                format!("While it is working, {}. It should stay on.", press("an off is asked for"))
            }
            Item::Forced => match by_hand {
                Some(Way::Gesture { input, gesture }) => format!(
                    "Ask for an off once more. When Idlegate says that the machine is working, use {input} ({gesture})."
                ),
                Some(Way::Contact { .. } | Way::Request { .. }) | None => {
                    "A force is asked for, and again within the window. It should go off.".to_owned()
                }
            },
            Item::OtherRoute if self.shadow => "Switch the outlet with its own button.".to_owned(),
            Item::OtherRoute => {
                "With the machine idle, switch the outlet off with its own button; or on, if it is off.".to_owned()
            }
            Item::MeterSilent => {
                "With the machine idle, unplug its meter, or take it off the network, until Idlegate no longer knows \
                 whether the machine is idle. Then plug it in again."
                    .to_owned()
            }
            Item::Emergency => {
                format!("With no job running, {}. It should go off.", press("an emergency-off is asked for"))
            }
            Item::Unlocked => format!(
                "Unlock it: {}. Nothing should go on.",
                press("an unlock is asked for")
            ),
            Item::StaysOff => String::new(),
        }
    }
}

fn is_known(status: Option<&MachineStatus>) -> bool {
    status.is_some_and(|status| status.state != "unknown")
}

fn tried(item: Item, outcome: DrillOutcome, heard: String) -> Tried {
    Tried { item, outcome, at: rfc3339(Clock.now().wall), heard }
}

/// As the broker would have it in store.
fn stored(topic: &str, payload: Bytes) -> Message {
    Message {
        topic: topic.into(),
        payload,
        retained: true,
        proved: true,
        ours: false,
        age: Span::ZERO,
        response_topic: None,
        correlation: None,
    }
}
