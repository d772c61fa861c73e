//! `idlegate commission` in a terminal, for five outlets that have little in common but a plug. Beside each of them a
//! printer works whose meter looks far more like a draw than the outlet's own.
//!
//! Could go wrong: a default answer wires the machine to the printer's meter; a meter that is slow, or speaks only of
//! changes, is given up; what is written does not guard, or cuts a job of an ordinary day.

#![expect(clippy::unwrap_used, reason = "a test's own literals")]

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, ensure};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::conversation::Conversation;
use idlegate_tests::process::program;
use idlegate_tests::shop::{self, Guard};

/// How an outlet and its meter speak.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Speech {
    /// JSON, and a reading every second.
    EverySecond,
    /// Nothing but changes, and every five seconds whether it can be reached.
    OnChange,
    /// A reading every minute.
    EveryMinute,
    /// Texts with a unit and a decimal comma; 1 and 0; an order in JSON.
    Texts,
    /// One message for several machines, which the broker does not store.
    Strip,
}

impl Speech {
    /// Topic, payload for on and for off.
    fn order(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Speech::EverySecond | Speech::EveryMinute => ("bench/one/order", "on", "off"),
            Speech::OnChange => ("bench/one/order", "close", "open"),
            Speech::Texts => ("bench/one/order", r#"{"feed":true}"#, r#"{"feed":false}"#),
            Speech::Strip => ("strip/order/a", "1", "0"),
        }
    }

    /// Where its state stands, and what is on and off there.
    fn state(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Speech::EverySecond | Speech::EveryMinute => ("bench/one/says /switch", "closed", "open"),
            Speech::OnChange => ("bench/one/says", "closed", "open"),
            Speech::Texts => ("bench/one/says", "1", "0"),
            Speech::Strip => ("strip/says /a/fed", "true", "false"),
        }
    }

    fn draw(self) -> &'static str {
        match self {
            Speech::EverySecond | Speech::EveryMinute => "bench/one/now /figures/0",
            Speech::OnChange | Speech::Texts => "bench/one/now",
            Speech::Strip => "strip/says /a/now",
        }
    }

    const fn pause_secs(self) -> u64 {
        if matches!(self, Speech::EveryMinute) { 60 } else { 1 }
    }
}

#[derive(Clone, Debug)]
struct Outlet {
    speech: Speech,
    on: Arc<AtomicBool>,
    /// What it last told of itself. Whoever watches the machine sees it later than the outlet knows it.
    told: Arc<AtomicBool>,
    watts: Arc<AtomicU32>,
}

impl Outlet {
    fn new(speech: Speech, on: bool) -> Outlet {
        let told = Arc::new(on.into());
        Outlet { speech, on: Arc::new(on.into()), told, watts: Arc::new(62.into()) }
    }

    async fn live(self, port: u16) -> Result<()> {
        let mut client = Client::connect(port).await?;
        let (topic, on_word, _) = self.speech.order();
        client.subscribe(topic).await?;
        let (mut said, mut shown) = (None, None);
        for beat in 0_u64.. {
            while let Some(order) = client.try_message() {
                self.on.store(order.payload == on_word, Ordering::Relaxed);
            }
            let on = self.on.load(Ordering::Relaxed);
            let watts = if on { self.watts.load(Ordering::Relaxed) } else { 0 };
            let second = beat % 5 == 0;
            if said.replace(on) != Some(on) && self.speech != Speech::Strip {
                self.says(&mut client, on).await?;
                self.told.store(on, Ordering::Relaxed);
            }
            // No two readings of a machine that is on are quite the same.
            let noise = if on { beat / 5 % 7 } else { 0 };
            match self.speech {
                Speech::EverySecond | Speech::EveryMinute if beat % (5 * self.speech.pause_secs()) == 0 => {
                    let payload = format!(r#"{{"figures":[{watts}.{noise}],"count":{beat}}}"#);
                    client.publish("bench/one/now", payload).await?;
                }
                Speech::OnChange if shown.replace(watts) != Some(watts) => {
                    client.publish("bench/one/now", watts.to_string()).await?;
                }
                Speech::OnChange if beat % 25 == 0 => client.publish("bench/one/reach", "yes").await?,
                Speech::Texts if second => {
                    client.publish("bench/one/now", format!("{watts},{noise} W")).await?;
                }
                Speech::Strip if second => {
                    let other = 800 + beat % 40;
                    let payload = format!(
                        r#"{{"a":{{"fed":{on},"now":{watts}.{noise}}},"b":{{"fed":true,"now":{other}}}}}"#
                    );
                    client.publish("strip/says", payload).await?;
                    self.told.store(on, Ordering::Relaxed);
                }
                Speech::EverySecond
                | Speech::EveryMinute
                | Speech::OnChange
                | Speech::Texts
                | Speech::Strip => {}
            }
            if second {
                let heats = beat / 5 % 4 < 2;
                client.publish("printer/power", if heats { "118.4" } else { "8.1" }).await?;
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        Ok(())
    }

    async fn says(&self, client: &mut Client, on: bool) -> Result<()> {
        let (_, on_word, off_word) = self.speech.state();
        let word = if on { on_word } else { off_word };
        let payload = match self.speech {
            Speech::EverySecond | Speech::EveryMinute => format!(r#"{{"switch":"{word}"}}"#),
            Speech::OnChange | Speech::Texts | Speech::Strip => word.to_owned(),
        };
        client.publish_retained("bench/one/says", payload).await
    }
}

/// Everything until the drill: from an empty folder, or into one whose guard is running.
async fn set_up(talk: &mut Conversation, hand: &mut Client, outlet: &Outlet) -> Result<()> {
    let speech = outlet.speech;
    talk.answers("What do people call the machine?", "Lathe").await?;
    let (order, on, off) = speech.order();
    let (state, state_on, state_off) = speech.state();
    let mut is_on = outlet.on.load(Ordering::Relaxed);
    for (words, wanted) in
        [("Switch it on, if", true), ("Switch it off.", false), ("After five seconds", true)]
    {
        talk.hears(words).await?;
        if is_on != wanted {
            hand.publish(order, if wanted { on } else { off }).await?;
            let word = if wanted { state_on } else { state_off };
            talk.hears(&format!("heard: {state}: {word:?}")).await?;
        }
        is_on = wanted;
        talk.says("").await?;
    }
    talk.hears(&format!("1  {state}: {state_on:?} is on, {state_off:?} is off")).await?;
    talk.answers("Which is the outlet's state?", "").await?;
    talk.hears(&format!("  {order}: {on:?} for on, {off:?} for off")).await?;
    for question in ["Topic on which", "What switches it on:", "What switches it off:"] {
        talk.answers(question, "").await?;
    }
    talk.answers("Must it stay on", "").await?;
    talk.answers("May Idlegate switch it off and on now", "yes").await?;
    talk.hears(&format!("sent {on:?}, and the outlet says {state_on:?}")).await?;
    if speech == Speech::EveryMinute {
        wait_for_a_slow_meter(talk, hand, speech).await?;
    }
    let patience = Duration::from_secs(if speech == Speech::EveryMinute { 120 } else { 30 });
    talk.hears_within("This fell when the outlet went off, and came back with it:", patience).await?;
    talk.hears(&format!("1  {}: 62", speech.draw())).await?;
    talk.hears("Which is the machine's draw?").await?;
    ensure!(talk.said().starts_with(" (a number, or type TOPIC [/POINTER]) [1]"), "{}", talk.said());
    talk.says("").await?;
    how_it_speaks(talk, speech).await?;
    talk.answers("How?", "3").await?;
    let dwell = match speech {
        // What is proposed.
        Speech::EveryMinute => "",
        // Its value is shown to detectors every five seconds.
        Speech::OnChange => "12 s",
        Speech::EverySecond | Speech::Texts | Speech::Strip => "2 s",
    };
    for (question, answer) in [("Busy above", "110"), ("Idle below", "90"), ("How long must it stay", dwell)]
    {
        talk.answers(question, answer).await?;
    }
    talk.answers("Is there a button", "no").await?;
    talk.answers("Write it", "").await?;
    talk.hears("Checked: the guard accepts these rules").await
}

async fn wait_for_a_slow_meter(talk: &mut Conversation, hand: &mut Client, speech: Speech) -> Result<()> {
    let (order, on, off) = speech.order();
    talk.answers("Press Enter to switch it once more", "").await?;
    for (words, payload) in [("Switch the outlet off", off), ("Switch it on, and leave", on)] {
        talk.hears_within(words, Duration::from_secs(120)).await?;
        hand.publish(order, payload).await?;
        talk.says("").await?;
    }
    // What comes is heard by whoever asked for this.
    Ok(())
}

async fn how_it_speaks(talk: &mut Conversation, speech: Speech) -> Result<()> {
    if speech == Speech::Texts {
        talk.answers("as in 0,5 for a half?", "yes").await?;
    } else {
        talk.answers("Multiply its value", "").await?;
    }
    match speech {
        Speech::EveryMinute => {
            let found = "The meter reports about every 1 min";
            talk.hears_within(found, Duration::from_secs(300)).await?;
        }
        Speech::OnChange => {
            talk.hears("Listening to how often it reports").await?;
            // Every fifteen seconds; after the third it has been silent for long enough to be noticed.
            for _ in 0..3 {
                talk.hears_within("5 readings, the last one", Duration::from_secs(60)).await?;
            }
            talk.says("").await?;
            talk.hears("1  bench/one/reach, silent for 30 s at most").await?;
            talk.answers("Which shows that the meter is there?", "").await?;
            talk.answers("What does it say when the device is gone?", "").await?;
            talk.answers("Is the meter part of the outlet", "").await?;
        }
        Speech::EverySecond | Speech::Texts | Speech::Strip => {}
    }
    Ok(())
}

/// `idlegate request`, as in another terminal.
async fn request(rules: &Path, kind: &str) -> Result<()> {
    let output = tokio::process::Command::new(program()?)
        .args(["request", "--rules"])
        .arg(rules)
        .args(["lathe", kind, "--json"])
        .output()
        .await?;
    ensure!(!output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
    Ok(())
}

async fn drill(talk: &mut Conversation, rules: &Path, outlet: &Outlet) -> Result<()> {
    let slow = Duration::from_secs(if outlet.speech == Speech::EveryMinute { 600 } else { 60 });
    if outlet.speech == Speech::OnChange {
        talk.hears("so that its meter speaks").await?;
        for on in [false, true] {
            outlet.on.store(on, Ordering::Relaxed);
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
    }
    talk.hears_within("passed: the guard sees that the idle machine is idle", slow).await?;
    talk.hears("It should go off").await?;
    request(rules, "off").await?;
    talk.hears("passed: while it is idle, an off switches it off").await?;
    // An off that the outlet never told of may still come about, so the guard would take the next one for its own.
    while outlet.told.load(Ordering::Relaxed) {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    request(rules, "on").await?;
    outlet.watts.store(455, Ordering::Relaxed);
    talk.hears_within("passed: the guard sees that the working machine is working", slow).await?;
    talk.hears("While it is working").await?;
    // Any earlier and it would count as the same gesture as the last off.
    tokio::time::sleep(Duration::from_millis(2_200)).await;
    request(rules, "off").await?;
    talk.hears("passed: while it is working, an off is held").await?;
    ensure!(outlet.on.load(Ordering::Relaxed), "it was switched off while it worked");
    talk.answers("May the power of the working machine be cut now?", "no").await?;
    talk.hears("with its own button").await?;
    outlet.on.store(false, Ordering::Relaxed);
    talk.hears("passed: the guard notices when the outlet's own button is used").await?;
    talk.answers("Did it stay off?", "yes").await?;
    talk.answers("Who did this drill?", "").await?;
    talk.hears("Not everything was tried").await?;
    talk.hears("To guard from now on:").await
}

/// An ordinary day with two jobs that pause for a minute now and then, as the rules see it.
fn replay_a_day(rules: &Path, speech: Speech) -> Result<()> {
    let file = rules.join("machines/lathe.toml");
    let text = std::fs::read_to_string(&file)?.replace("dwell = \"2 s\"", "dwell = \"3 min\"");
    std::fs::write(&file, text)?;
    let begin = 1_795_500_000_u64;
    let jobs = [(3_600, 9_000), (15_000, 21_600)];
    let works = |second: u64| {
        let job = jobs.iter().find(|(start, end)| (*start..*end).contains(&second));
        job.is_some_and(|(start, _)| (second - start) % 600 < 540)
    };
    let step = speech.pause_secs().max(5);
    let rows = (0..28_800_u64).step_by(usize::try_from(step)?).map(|second| {
        let watts = if works(second) { 455 } else { 62 };
        format!("[{{\"n\":\"lathe/power\",\"u\":\"W\",\"t\":{},\"v\":{watts}}}]\n", begin + second)
    });
    let dir = tempfile::tempdir()?;
    let day = dir.path().join("day.jsonl");
    std::fs::write(&day, rows.collect::<String>())?;
    let stamp = |second: u64| jiff::Timestamp::from_second(i64::try_from(begin + second).unwrap()).unwrap();
    let table = jobs.map(|(start, end)| format!("{},{}\n", stamp(start), stamp(end))).concat();
    std::fs::write(dir.path().join("jobs.csv"), format!("start,end\n{table}"))?;
    let output = std::process::Command::new(program()?)
        .args(["replay".as_ref(), day.as_os_str(), "--rules".as_ref(), rules.as_os_str()])
        .args(["--json", "--probe", "off", "--every", "10s", "--jobs"])
        .arg(dir.path().join("jobs.csv"))
        .output()?;
    let text = String::from_utf8(output.stdout)?;
    let sums = text.lines().filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok());
    let sum = sums.rev().find(|sum| sum["probe"] == "off" && sum["machine"] == "lathe");
    let sum = sum.with_context(|| String::from_utf8_lossy(&output.stderr).into_owned())?;
    ensure!(sum["jobs"] == 2 && sum["jobs_hit"] == 0, "{sum}");
    ensure!(sum["let_through"].as_u64() > Some(0), "an idle machine could never be switched off: {sum}");
    Ok(())
}

async fn first_hour(speech: Speech, on_before: bool) -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let rules = dir.path().join("rules");
    let outlet = Outlet::new(speech, on_before);
    let living = tokio::spawn(outlet.clone().live(broker.port()));
    let mut hand = Client::connect(broker.port()).await?;
    // A second machine comes into a folder that a guard follows already.
    let running = speech == Speech::Strip;
    let mut guard = None;
    if running {
        shop::write_rules(&rules, broker.port())?;
        guard = Some(Guard::following(&rules)?);
    }
    let begun = Instant::now();
    let mut talk = Conversation::in_terminal(&rules, "lathe", broker.port())?;
    set_up(&mut talk, &mut hand, &outlet).await?;
    if !running {
        let shop = std::fs::read_to_string(rules.join("shop.toml"))?;
        std::fs::write(rules.join("shop.toml"), shop.replace("shadow = true", "shadow = false"))?;
        talk.hears("No guard is running with these rules").await?;
        guard = Some(Guard::following(&rules)?);
        talk.answers("Is it running now?", "yes").await?;
    }
    drill(&mut talk, &rules, &outlet).await?;
    eprintln!("{speech:?}: {} answers, {:.1} min", talk.answered, begun.elapsed().as_secs_f64() / 60.0);
    assert_eq!(talk.ends().await?, Some(1), "the force was not tried");
    guard.context("no guard")?.stop().await?;
    // A sign of life is no part of a recording of readings alone.
    if speech != Speech::OnChange {
        replay_a_day(&rules, speech)?;
    }
    assert!(!living.is_finished(), "the outlet lived to the end");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outlet_that_reports_every_second() -> Result<()> {
    first_hour(Speech::EverySecond, false).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outlet_that_speaks_only_of_changes_and_repeats_its_reach() -> Result<()> {
    first_hour(Speech::OnChange, false).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "its meter reports every minute, so it takes 10 min; tests/run --long includes it"]
async fn an_outlet_whose_meter_reports_every_minute() -> Result<()> {
    first_hour(Speech::EveryMinute, false).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outlet_of_texts_with_units_and_commas() -> Result<()> {
    first_hour(Speech::Texts, false).await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_of_several_machines_on_a_strip_that_is_on_and_a_folder_that_is_guarded() -> Result<()> {
    first_hour(Speech::Strip, true).await
}

/// Ctrl-C while it measures, and the same command again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_is_called_away_while_measuring_goes_on_there() -> Result<()> {
    let broker = Mosquitto::start()?;
    let dir = tempfile::tempdir()?;
    let rules = dir.path().join("rules");
    let outlet = Outlet::new(Speech::EverySecond, true);
    let living = tokio::spawn(outlet.live(broker.port()));
    // Only the meter is known as yet, and the outlet is too fast to be told from its notes.
    let notes = r#"{"title":"Lathe","outlet":{"place":{"topic":"bench/one/says","pointer":"/switch"},"on":"closed","off":"open"},
        "order":{"topic":"bench/one/order","on":"on","off":"off","tried":true},
        "meter":{"place":{"topic":"bench/one/now","pointer":"/figures/0"},"scale":1.0}}"#;
    std::fs::create_dir_all(rules.join("commissioning"))?;
    std::fs::write(rules.join("commissioning/lathe.json"), notes)?;
    let mut talk = Conversation::in_terminal(&rules, "lathe", broker.port())?;
    talk.hears("Go on at step [4]").await?;
    talk.says("").await?;
    talk.answers("How?", "1").await?;
    talk.hears("First idle").await?;
    talk.hears("W, 3 readings").await?;
    talk.interrupted().await?;
    talk.hears("Everything so far is saved").await?;
    assert_eq!(talk.ends().await?, Some(1));
    let mut talk = Conversation::in_terminal(&rules, "lathe", broker.port())?;
    talk.hears("Go on at step [4]").await?;
    assert!(!living.is_finished(), "the outlet lived to the end");
    Ok(())
}
