//! The program as a whole: how soon it is there, with and without compiled detectors on disk, and how much memory it
//! takes.

use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::Result;
use idlegate_tests::broker::Mosquitto;
use idlegate_tests::client::Client;
use idlegate_tests::process::Process;
use tokio::time::sleep;

use super::Size;
use super::table::Table;

/// Detectors of each machine.
pub(crate) const DETECTORS: usize = 3;
/// Until what was needed for the start alone has been given back.
const SETTLE: Duration = Duration::from_secs(3);

/// A shop of so many machines with so many detectors each.
pub(crate) fn shop(dir: &Path, port: u16, machines: usize, detectors: usize) -> Result<()> {
    std::fs::create_dir_all(dir.join("machines"))?;
    let shop = format!("title = \"Bench\"\n[broker]\nhost = \"127.0.0.1\"\nport = {port}\n");
    std::fs::write(dir.join("shop.toml"), shop)?;
    for number in 0..machines {
        let mut text = format!(
            "title = \"Machine {number}\"\n[outlet]\nstate = {{ topic = \"outlets/{number}/says\" }}\n\
             order = {{ topic = \"outlets/{number}/order\" }}\npower = \"power\"\n\
             [signals.power]\ntopic = \"meters/{number}\"\nunit = \"W\"\n"
        );
        for detector in 0..detectors {
            text.push_str(&format!(
                "[[detectors]]\nname = \"watch-{detector}\"\nuse = \"power-threshold\"\n\
                 settings = {{ busy_watts = {}, dwell = \"1 min\" }}\n",
                40 + detector
            ));
        }
        std::fs::write(dir.join(format!("machines/machine-{number}.toml")), text)?;
    }
    Ok(())
}

/// Waits until it says that it is there.
pub(crate) async fn guarding(client: &mut Client) -> Result<()> {
    loop {
        let message = client.message().await?;
        if message.topic == "idlegate/health" && message.payload.windows(10).any(|it| it == b"\"guarding\"") {
            return Ok(());
        }
    }
}

pub(crate) async fn measure(size: Size) -> Result<Table> {
    let mut table =
        Table::new("the program", &["start, ms", "again, ms", "RSS, MiB", "PSS, MiB", "KiB/detector"]);
    let mut least = None;
    for machines in [1, 10, 100, 1_000].into_iter().filter(|machines| *machines <= size.machines) {
        let dir = tempfile::tempdir()?;
        let (rules, state) = (dir.path().join("rules"), dir.path().join("state"));
        let mut starts = Vec::new();
        let (mut resident, mut proportional) = (0.0, 0.0);
        // The first finds nothing compiled.
        for _ in 0..2 {
            let broker = Mosquitto::start()?;
            shop(&rules, broker.port(), machines, DETECTORS)?;
            let mut client = Client::connect(broker.port()).await?;
            client.subscribe("idlegate/health").await?;
            let begin = Instant::now();
            let guard = Process::start(&rules, &state)?;
            guarding(&mut client).await?;
            starts.push(begin.elapsed().as_secs_f64() * 1e3);
            for number in 0..machines {
                client.publish_at_most_once(&format!("meters/{number}"), "12").await?;
            }
            sleep(SETTLE).await;
            (resident, proportional) = (guard.resident_kib()?, guard.proportional_kib()?);
        }
        let detectors = machines * DETECTORS;
        let (few, of_few) = *least.get_or_insert((detectors, proportional));
        #[expect(clippy::cast_precision_loss, reason = "some thousands")]
        let more = (detectors - few) as f64;
        let each = if more > 0.0 { (proportional - of_few) / more } else { f64::NAN };
        table.row(
            format!("{machines} machines, {detectors} detectors"),
            &[starts[0], starts[1], resident / 1024.0, proportional / 1024.0, each],
        );
    }
    Ok(table)
}
