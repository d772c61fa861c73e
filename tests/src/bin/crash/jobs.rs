//! A lathe whose jobs begin and end all the time, also while nobody guards: each of them has one record, whatever is
//! killed in between.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Result, bail};
use idlegate_demo::workshop::Chance;
use idlegate_journal::{JournalReader, Query, RecordKind};
use idlegate_messages::JobRecord;
use idlegate_os::Clock;
use idlegate_plan::event::Name;
use idlegate_plan::text::parse_time;
use idlegate_tests::DEADLINE;
use idlegate_tests::client::Client;

const RULES: &str = r#"
title = "Lathe"
[outlet]
state = { topic = "outlets/lathe/says", on = "on", off = "off" }
order = { topic = "outlets/lathe/order", on = "on", off = "off" }
power = "power"
[signals.power]
topic = "meters/lathe"
unit = "W"
stale_after = "30s"
[[detectors]]
use = "power-threshold"
settings = { busy_watts = 100, quiet_watts = 50, dwell = "20 ms" }
[jobs]
shortest = "0s"
pause = "0s"
announce = []
"#;

pub(crate) fn write(rules: &Path) -> Result<()> {
    Ok(std::fs::write(rules.join("machines/lathe.toml"), RULES)?)
}

#[derive(Default)]
pub(crate) struct Lathe {
    works: bool,
    /// When jobs began that were found on the disk after a kill, in milliseconds.
    under_way: BTreeSet<i64>,
}

/// What the journal has of them.
pub(crate) struct OnRecord {
    pub(crate) jobs: usize,
    pub(crate) under_way_at_a_kill: usize,
    pub(crate) faults: Vec<String>,
}

impl Lathe {
    /// A job begins, or ends by itself or by somebody's hand.
    pub(crate) async fn turn(&mut self, client: &mut Client, dice: &mut Chance) -> Result<()> {
        self.works = !self.works;
        if self.works {
            client.publish_retained("outlets/lathe/says", "on".to_owned()).await?;
            client.publish("meters/lathe", "800").await
        } else if dice.happens(0.5) {
            client.publish_retained("outlets/lathe/says", "off".to_owned()).await
        } else {
            client.publish("meters/lathe", "3").await
        }
    }

    pub(crate) fn look_after_a_kill(&mut self, reader: &mut JournalReader) {
        self.under_way.extend(under_way(reader));
    }

    /// The guard runs. Its last job ends, and then each has one record.
    pub(crate) async fn close(&mut self, client: &mut Client, journal: &Path) -> Result<OnRecord> {
        client.publish_retained("outlets/lathe/says", "off".to_owned()).await?;
        let until = Instant::now() + DEADLINE;
        while under_way(&mut JournalReader::open(journal)?).is_some() {
            if Instant::now() > until {
                bail!("the lathe is off, and its job is not over");
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        let mut records: Vec<(i64, i64)> = Vec::new();
        let query =
            Query { machine: Some(Name::new("lathe")?), kinds: vec![RecordKind::Job], ..Query::default() };
        for record in JournalReader::open(journal)?.records(&query) {
            let job = record?.read::<JobRecord>();
            records.push((parse_time(&job.began)?.0, parse_time(&job.ended)?.0));
        }
        records.sort_unstable();
        // A lathe makes one at a time: the next begins when the one before is over, be it in the same millisecond.
        let often = records.windows(2).filter(|pair| pair[1].0 < pair[0].1);
        let often = often.map(|pair| {
            let [(began, ended), (other, other_ended)] = [pair[0], pair[1]];
            format!("two jobs at one time are on record: {began} to {ended}, and {other} to {other_ended}")
        });
        let lost = self.under_way.iter().filter(|began| !records.iter().any(|(found, _)| found == *began));
        let lost = lost.map(|began| format!("the job that began at {began} was kept, and is not on record"));
        let none = records.is_empty().then(|| "no job of the lathe is on record".to_owned());
        let faults = often.chain(lost).chain(none).collect();
        Ok(OnRecord { jobs: records.len(), under_way_at_a_kill: self.under_way.len(), faults })
    }
}

fn under_way(reader: &mut JournalReader) -> Option<i64> {
    let restored = reader.restored(Clock.now());
    let kept = restored.kept.iter().find(|(machine, _)| machine.as_str() == "lathe");
    kept.and_then(|(_, kept)| kept.job.as_ref()).map(|job| job.begun_ms)
}
