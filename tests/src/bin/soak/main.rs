//! The whole program under steady load for an hour, with faults and changing rules all along: what it holds in memory
//! and open files is printed as it goes and must stay flat, every request is answered once, no working machine is cut.

mod hall;
mod series;

use std::time::{Duration, Instant};

use anyhow::{Result, bail};
use clap::Parser;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::form::Form;
use idlegate_tests::judge::Tally;
use idlegate_tests::process::Process;
use idlegate_tests::proxy::Proxy;
use serde_json::json;
use tokio::sync::watch;
use tokio::time::{sleep, sleep_until};

use self::hall::{Calm, Outcome, ask, feed, guarding, play_outlets, write_rules};
use self::series::Series;

/// Lines in the printed series.
const SAMPLES: u32 = 24;
/// From one trouble to the next.
const TROUBLE_EVERY: Duration = Duration::from_secs(10);
/// After a trouble, until the guard has had time to come back.
const RECOVERY: Duration = Duration::from_secs(4);

/// The whole program under steady load for an hour, with faults and changing rules all along
#[derive(Parser)]
struct Args {
    /// So long [default: 60, in short form 0.75]
    #[arg(long, value_name = "N")]
    minutes: Option<f64>,
    /// So many messages a second
    #[arg(long, value_name = "N", default_value_t = 1_000)]
    rate: u64,
    #[command(flatten)]
    form: Form,
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> Result<()> {
    let Args { minutes, rate, form } = Args::parse();
    let length = Duration::try_from_secs_f64(60.0 * minutes.unwrap_or(form.either(0.75, 60.0)))?;
    let dir = tempfile::tempdir()?;
    let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
    let broker = Mosquitto::start()?;
    let watch = hall::watch();
    let proxy = Proxy::start_with(broker.port(), watch.tap(), None).await?;
    write_rules(&rules, proxy.port(), 0, false)?;
    let guard = Process::start(&rules, &state)?;
    guarding(broker.port()).await?;
    let (stop, stopped) = watch::channel(false);
    let calm = Calm::new();
    let outlets = tokio::spawn(play_outlets(broker.port(), watch.clone(), stopped.clone()));
    let feeding = tokio::spawn(feed(broker.port(), rate, watch.clone(), stopped.clone()));
    let asking = tokio::spawn(ask(broker.port(), calm.clone(), stopped));
    // What only the start needs has been given back by then.
    sleep(Duration::from_secs(5)).await;

    println!("{}", series::HEADING);
    let begin = Instant::now();
    let mut series = Series::default();
    let mut next_trouble = begin + TROUBLE_EVERY;
    let mut troubles = 0_u32;
    for nth in 1..=SAMPLES {
        let until = begin + length * nth / SAMPLES;
        while next_trouble < until {
            sleep_until(next_trouble.into()).await;
            calm.end();
            trouble(troubles, &guard, &proxy, &rules).await?;
            sleep(RECOVERY).await;
            calm.begin();
            troubles += 1;
            next_trouble += TROUBLE_EVERY;
        }
        sleep_until(until.into()).await;
        println!("{}", series.sample(begin.elapsed(), &guard, &state)?);
    }
    stop.send(true)?;
    let outcome = asking.await??;
    let (sent, obeyed) = (feeding.await??, outlets.await??);
    let judged = watch.close().map_err(anyhow::Error::msg)?;
    conclude(&form, &series, troubles, sent, &outcome, obeyed, &judged)
}

/// One after the other, again and again.
async fn trouble(nth: u32, guard: &Process, proxy: &Proxy, rules: &std::path::Path) -> Result<()> {
    match nth % 6 {
        0 => write_rules(rules, proxy.port(), nth, false)?,
        1 => proxy.cut(),
        2 => write_rules(rules, proxy.port(), nth, true)?,
        3 => {
            proxy.set(|conduct| (conduct.stall_to_broker, conduct.stall_to_client) = (true, true));
            sleep(Duration::from_secs(3)).await;
            proxy.set(|conduct| (conduct.stall_to_broker, conduct.stall_to_client) = (false, false));
        }
        4 => write_rules(rules, proxy.port(), nth, false)?,
        _ => {
            guard.signal("STOP")?;
            sleep(Duration::from_secs(1)).await;
            guard.signal("CONT")?;
        }
    }
    Ok(())
}

fn conclude(
    form: &Form,
    series: &Series,
    troubles: u32,
    sent: u64,
    outcome: &Outcome,
    obeyed: hall::Obeyed,
    judged: &Tally,
) -> Result<()> {
    let Outcome { asked, answered, excused, lost, doubled } = *outcome;
    println!(
        "{sent} messages, {troubles} troubles; {asked} requests: {answered} answered, {excused} asked amid a trouble and not, \
         {lost} lost, {doubled} answered twice"
    );
    println!(
        "{} orders obeyed, {} offs at machines that work or whose meter cannot be understood",
        obeyed.obeyed, obeyed.cut
    );
    let growth = series.growth();
    println!(
        "from the second quarter to the last: memory {:+.2} MiB, open files {:+.1}, threads {:+.1}",
        growth.memory_mib, growth.files, growth.threads
    );
    judged.lines().iter().for_each(|line| println!("{line}"));
    form.write(&json!({
        "judged": judged.json(), "messages": sent, "troubles": troubles, "asked": asked, "answered": answered, "excused": excused, "lost": lost,
        "doubled": doubled, "obeyed": obeyed.obeyed, "cut": obeyed.cut, "memory_growth_mib": growth.memory_mib,
        "open_files_growth": growth.files, "series": series.to_json(),
    }))?;
    let claims = [
        (lost > 0, "requests were lost"),
        (doubled > 0, "requests were answered twice"),
        (obeyed.cut > 0, "a machine that works, or may work, was cut"),
        (obeyed.obeyed == 0 || answered == 0, "nothing happened at all"),
        (growth.memory_mib > series::GROWTH_MIB_MAX, "memory grows"),
        (growth.files > series::GROWTH_FILES_MAX, "open files grow"),
    ];
    let wrong = claims.into_iter().filter(|(is_so, _)| *is_so).map(|(_, what)| what.to_owned());
    let wrong: Vec<String> = wrong.chain(judged.complaints(&hall::LIMITS)).collect();
    if !wrong.is_empty() {
        bail!("soak: {}", wrong.join("; "));
    }
    println!("soak: nothing lost, nothing doubled, nothing cut, nothing grows");
    Ok(())
}
