//! A red button for a whole hall: what counts is what each outlet received.

use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use idlegate_demo::workshop::Chance;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::floor::{guarding, stretch};
use idlegate_tests::process::Process;
use tokio::time::{Instant, sleep_until, timeout_at};

use super::Moments;
use crate::stage::Harm;

/// More than any queue on the way may be tempted to hold.
const MACHINES: usize = 300;
/// Whatever is not sent at once is sent again after this time, and then it is too late.
const CONFIRM_WITHIN: &str = "2 min";
/// However slow the computer is.
const HEARD_WITHIN: Duration = Duration::from_secs(25);
/// An order that comes later than this after its cause was not caused by it.
const CALM: Duration = Duration::from_millis(1_500);

/// Pushed at any moment: soon after a start, while a panel switches machines on, and again over what is off already.
pub(crate) async fn red_button_of_a_hall(mut given: Moments) -> Result<u32> {
    let broker = Mosquitto::start()?;
    let [folder, state] = [tempfile::tempdir()?, tempfile::tempdir()?];
    rules(folder.path(), broker.port())?;
    let process = Process::start(folder.path(), state.path())?;
    guarding(broker.port()).await.with_context(|| process.log_end().unwrap_or_default())?;
    let mut hall = Hall::open(broker.port(), given.chance.branch()).await?;
    let rounds = given.rounds * 3;
    for round in 0..rounds {
        let asks = hall.chance.happens(0.7);
        hall.lives(stretch(&mut given.chance, 0, 2_000), asks).await?;
        hall.red_button(round > 0).await?;
        hall.some_go_on_by_hand().await?;
    }
    Ok(rounds)
}

fn rules(dir: &Path, port: u16) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!(
        "title = \"Hall\"\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\n[guard]\nconfirm_within = \"{CONFIRM_WITHIN}\"\n"
    );
    std::fs::write(dir.join("shop.toml"), shop)?;
    for number in 0..MACHINES {
        let text = format!(
            "[outlet]\nstate = {{ topic = \"outlets/{number}/says\" }}\norder = {{ topic = \"outlets/{number}/order\" }}\n\
             [signals.power]\ntopic = \"meters/{number}\"\nunit = \"W\"\n\
             [[detectors]]\nuse = \"power-threshold\"\nsettings = {{ busy_watts = 40, dwell = \"1 min\" }}\n"
        );
        std::fs::write(dir.join(format!("machines/machine-{number}.toml")), text)?;
    }
    let inputs = "[inputs.panel]\nplace = \"shop\"\nmachines = \"all\"\n[inputs.red]\ntopic = \"contacts/red\"\n\
                  machines = \"all\"\nemergency = true\n[inputs.red.gestures]\nopen = \"emergency-off\"\n";
    Ok(std::fs::write(dir.join("inputs.toml"), inputs)?)
}

/// All outlets, and the hands that are laid on them.
struct Hall {
    chance: Chance,
    outlets: Client,
    voice: Client,
    are_on: Vec<bool>,
    /// When each outlet was last told to go off.
    told_off: Vec<Option<Instant>>,
}

impl Hall {
    async fn open(port: u16, mut chance: Chance) -> Result<Hall> {
        let mut outlets = Client::connect(port).await?;
        outlets.subscribe("outlets/+/order").await?;
        let are_on: Vec<bool> = (0..MACHINES).map(|_| chance.happens(0.7)).collect();
        let voice = Client::connect(port).await?;
        let mut hall = Hall { chance, outlets, voice, are_on, told_off: vec![None; MACHINES] };
        for number in 0..MACHINES {
            hall.says(number).await?;
        }
        Ok(hall)
    }

    async fn says(&mut self, number: usize) -> Result<()> {
        let word = if self.are_on[number] { "on" } else { "off" };
        self.voice.publish_at_most_once(&format!("outlets/{number}/says"), word).await
    }

    /// For so long; a panel may ask that machines be switched on, one after the other.
    async fn lives(&mut self, span: Duration, panel_asks: bool) -> Result<()> {
        let until = Instant::now() + span;
        while Instant::now() < until {
            if panel_asks {
                let number = self.any();
                let body = format!(r#"{{"machine":"machine-{number}","request":"on"}}"#);
                self.voice.publish_at_most_once("idlegate/request/panel", body).await?;
            }
            let next = (Instant::now() + Duration::from_millis(60)).min(until);
            self.obeys_until(next, |_| false).await?;
            sleep_until(next).await;
        }
        Ok(())
    }

    fn any(&mut self) -> usize {
        usize::try_from(self.chance.number() % MACHINES as u64).unwrap_or_default()
    }

    /// The outlets do as they are told, until then or until this is true of them.
    async fn obeys_until(&mut self, until: Instant, is_it: impl Fn(&Hall) -> bool) -> Result<bool> {
        while !is_it(self) {
            let Ok(message) = timeout_at(until, self.outlets.message()).await else { return Ok(false) };
            let message = message?;
            let topic = std::str::from_utf8(&message.topic)?;
            let number = topic.split('/').nth(1).and_then(|number| number.parse::<usize>().ok());
            let number =
                number.filter(|number| *number < MACHINES).context("an order to no outlet of ours")?;
            match &message.payload[..] {
                b"on" => self.are_on[number] = true,
                b"off" => {
                    self.are_on[number] = false;
                    self.told_off[number] = Some(Instant::now());
                }
                other => bail!("an outlet was ordered {:?}", String::from_utf8_lossy(other)),
            }
            self.says(number).await?;
        }
        Ok(true)
    }

    async fn red_button(&mut self, is_locked: bool) -> Result<()> {
        // What was asked for before this may still switch a machine on, but only until its off has come.
        let pushed = Instant::now();
        self.voice.publish("contacts/red", "open").await?;
        let everywhere = |hall: &Hall| hall.told_off.iter().all(|at| at.is_some_and(|at| pushed <= at));
        if !self.obeys_until(pushed + HEARD_WITHIN, everywhere).await? {
            let left = self.told_off.iter().filter(|at| at.is_none_or(|at| at < pushed)).count();
            return Err(Harm::EmergencyRefused)
                .context(format!("{left} of {MACHINES} outlets heard nothing"));
        }
        self.lives(CALM, true).await?;
        let on = self.are_on.iter().filter(|is_on| **is_on).count();
        ensure!(on == 0, "{on} machines are on after the red button (locked before: {is_locked})");
        Ok(())
    }

    /// At their outlets' own buttons, which nobody guards.
    async fn some_go_on_by_hand(&mut self) -> Result<()> {
        for number in 0..MACHINES {
            if self.chance.happens(0.3) {
                self.are_on[number] = true;
                self.says(number).await?;
            }
        }
        Ok(())
    }
}
