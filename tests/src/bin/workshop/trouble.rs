//! What goes wrong around the program: one thing after the other, and sometimes two at once.

use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result};
use idlegate_demo::workshop::Chance;
use idlegate_tests::floor::{Floor, stretch};
use idlegate_tests::proxy::Proxy;
use tokio::sync::Mutex;
use tokio::time::{Instant, sleep};

pub(crate) struct Lines {
    pub(crate) floor: Floor,
    /// From the other broker to this one.
    pub(crate) to_bridge: Proxy,
    /// One hand at a time writes rules.
    pub(crate) pen: Mutex<()>,
    /// When the program was stopped, and when it went on.
    pub(crate) stops: Mutex<Vec<(Instant, Instant)>>,
}

/// Until then; afterwards everything is well again. Says how many there were.
pub(crate) async fn come(lines: Arc<Lines>, mut chance: Chance, until: Instant) -> Result<u32> {
    let mut troubles = 0;
    while Instant::now() < until {
        // Nothing is switched off that is not seen for a while: between two of them there is time for that.
        sleep(stretch(&mut chance, 500, 10_000)).await;
        trouble(&lines, &mut chance).await?;
        troubles += 1;
    }
    lines.floor.line.set(|conduct| conduct.delay = Duration::ZERO);
    Ok(troubles)
}

async fn trouble(lines: &Lines, chance: &mut Chance) -> Result<()> {
    let line = &lines.floor.line;
    match chance.number() % 8 {
        0 | 1 => {
            line.set(|conduct| conduct.refuse = true);
            line.cut();
            sleep(stretch(chance, 100, 4_000)).await;
            line.set(|conduct| conduct.refuse = false);
        }
        2 => stands_still(line, chance, true).await,
        3 => stands_still(line, chance, false).await,
        4 => {
            let delay = stretch(chance, 0, 250);
            line.set(|conduct| conduct.delay = delay);
        }
        5 => {
            let process = lines.floor.process().context("the program is no process of its own")?;
            let from = Instant::now();
            process.signal("STOP")?;
            sleep(stretch(chance, 300, 4_000)).await;
            process.signal("CONT")?;
            lines.stops.lock().await.push((from, Instant::now()));
        }
        6 => {
            lines.to_bridge.set(|conduct| conduct.refuse = true);
            lines.to_bridge.cut();
            sleep(stretch(chance, 100, 3_000)).await;
            lines.to_bridge.set(|conduct| conduct.refuse = false);
        }
        _ => {
            let broken = lines.floor.rules_dir().join("machines/half-written.toml");
            let _pen = lines.pen.lock().await;
            std::fs::write(&broken, "title = \"half wr")?;
            sleep(stretch(chance, 100, 1_000)).await;
            std::fs::remove_file(&broken)?;
        }
    }
    Ok(())
}

async fn stands_still(line: &Proxy, chance: &mut Chance, both: bool) {
    line.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (true, both));
    // Sooner than the program gives the connection up.
    sleep(stretch(chance, 300, 4_000)).await;
    line.set(|conduct| (conduct.stall_to_client, conduct.stall_to_broker) = (false, false));
}
