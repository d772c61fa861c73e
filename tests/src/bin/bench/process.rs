//! The program as a whole: how soon it is there, with and without compiled detectors on disk, and how much memory it takes.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result};
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use tokio::time::sleep;

use super::Size;
use super::table::Table;

/// Detectors of each machine.
const DETECTORS: usize = 3;
/// Until what was needed for the start alone has been given back.
const SETTLE: Duration = Duration::from_secs(3);

/// The guard as a process of its own; killed when dropped.
pub(crate) struct Guard(Child);

impl Guard {
    pub(crate) fn start(rules: &Path, state: &Path) -> Result<Guard> {
        let program = std::env::current_exe()?.with_file_name("idlegate");
        let child = Command::new(&program)
            .args(["run".as_ref(), rules.as_os_str(), "--state-dir".as_ref(), state.as_os_str()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .with_context(|| format!("starting {}", program.display()))?;
        Ok(Guard(child))
    }

    /// In KiB, as the system counts it (VmRSS).
    pub(crate) fn resident_kib(&self) -> Result<f64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.0.id()))?;
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).context("no VmRSS")?;
        Ok(line.trim().trim_end_matches(" kB").parse()?)
    }

    /// User and system time so far.
    pub(crate) fn cpu_seconds(&self) -> Result<f64> {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.0.id()))?;
        let after = stat.rsplit_once(')').context("no stat")?.1;
        let ticks: Vec<f64> =
            after.split_whitespace().skip(11).take(2).filter_map(|word| word.parse().ok()).collect();
        // A hundred ticks a second on Linux, whatever the kernel's own clock does.
        Ok(ticks.iter().sum::<f64>() / 100.0)
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A shop of so many machines with three detectors each.
pub(crate) fn shop(dir: &Path, port: u16, machines: usize) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!("title = \"Bench\"\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\n");
    std::fs::write(dir.join("shop.toml"), shop)?;
    for number in 0..machines {
        let mut text = format!(
            "title = \"Machine {number}\"\n[outlet]\nstate = {{ topic = \"outlets/{number}/state\" }}\n\
             command = {{ topic = \"outlets/{number}/command\" }}\npower = \"power\"\n\
             [signals.power]\ntopic = \"meters/{number}\"\nunit = \"W\"\n"
        );
        for detector in 0..DETECTORS {
            text.push_str(&format!(
                "[[detectors]]\nname = \"watch-{detector}\"\nuse = \"power-threshold\"\n\
                 settings = {{ busy_above = {}, idle_for = \"1 min\" }}\n",
                40 + detector
            ));
        }
        std::fs::write(dir.join(format!("machines/machine-{number}.toml")), text)?;
    }
    Ok(())
}

/// Waits until it says that it is there.
pub(crate) async fn online(client: &mut Client) -> Result<()> {
    loop {
        let message = client.message().await?;
        if message.topic == "idlegate/health" && message.payload.windows(8).any(|it| it == b"\"online\"") {
            return Ok(());
        }
    }
}

pub(crate) async fn measure(size: Size) -> Result<Table> {
    let mut table = Table::new("the program", &["start, ms", "again, ms", "memory, MiB", "KiB/detector"]);
    let mut least = None;
    for machines in [1, 10, 100, 1_000].into_iter().filter(|machines| *machines <= size.machines.min(256)) {
        let dir = tempfile::tempdir()?;
        let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
        let mut starts = Vec::new();
        let mut memory = 0.0;
        // The first finds nothing compiled.
        for _ in 0..2 {
            let broker = Mosquitto::start()?;
            shop(&rules, broker.port(), machines)?;
            let mut client = Client::connect(broker.port()).await?;
            client.subscribe("idlegate/health").await?;
            let begin = Instant::now();
            let guard = Guard::start(&rules, &state)?;
            online(&mut client).await?;
            starts.push(begin.elapsed().as_secs_f64() * 1e3);
            for number in 0..machines {
                client.publish_at_most_once(&format!("meters/{number}"), "12").await?;
            }
            sleep(SETTLE).await;
            memory = guard.resident_kib()?;
        }
        let detectors = machines * DETECTORS;
        let (few, of_few) = *least.get_or_insert((detectors, memory));
        #[expect(clippy::cast_precision_loss, reason = "some thousands")]
        let more = (detectors - few) as f64;
        let each = if more > 0.0 { (memory - of_few) / more } else { f64::NAN };
        table.row(
            format!("{machines} machines, {detectors} detectors"),
            &[starts[0], starts[1], memory / 1024.0, each],
        );
    }
    Ok(table)
}
