//! What the process holds, as time goes by.

use std::path::Path;
use std::time::Duration;

use anyhow::Result;
use idlegate_tests::process::{Process, folder_bytes};
use serde_json::{Value as Json, json};

pub(crate) const GROWTH_MIB_MAX: f64 = 8.0;
pub(crate) const GROWTH_FILES_MAX: f64 = 3.0;
pub(crate) const HEADING: &str = "    minute  memory, MiB  open files  threads  CPU, %  journal, MiB";

#[derive(Clone, Copy, Debug)]
struct Sample {
    minute: f64,
    memory_mib: f64,
    files: f64,
    threads: f64,
    cpu_seconds: f64,
}

#[derive(Debug, Default)]
pub(crate) struct Series(Vec<Sample>);

#[derive(Debug)]
pub(crate) struct Growth {
    pub(crate) memory_mib: f64,
    pub(crate) files: f64,
    pub(crate) threads: f64,
}

impl Series {
    /// Looks, and says it in a line.
    pub(crate) fn sample(&mut self, elapsed: Duration, guard: &Process, state: &Path) -> Result<String> {
        let sample = Sample {
            minute: elapsed.as_secs_f64() / 60.0,
            memory_mib: guard.resident_kib()? / 1024.0,
            files: count(guard.open_files()?),
            threads: count(guard.threads()?),
            cpu_seconds: guard.cpu_seconds()?,
        };
        let (minutes, cpu) = self.0.last().map_or((sample.minute, sample.cpu_seconds), |before| {
            (sample.minute - before.minute, sample.cpu_seconds - before.cpu_seconds)
        });
        self.0.push(sample);
        #[expect(clippy::cast_precision_loss, reason = "for people")]
        let journal = folder_bytes(state)? as f64 / 1_048_576.0;
        Ok(format!(
            "{:>10.1} {:>12.1} {:>11} {:>8} {:>7.1} {journal:>13.1}",
            sample.minute,
            sample.memory_mib,
            sample.files,
            sample.threads,
            cpu / minutes / 0.6
        ))
    }

    /// From the second quarter to the last: the first is still warming up.
    pub(crate) fn growth(&self) -> Growth {
        let quarter = self.0.len() / 4;
        let (early, late) = (&self.0[quarter..2 * quarter], &self.0[3 * quarter..]);
        let by = |what: fn(&Sample) -> f64| median(late, what) - median(early, what);
        Growth {
            memory_mib: by(|sample| sample.memory_mib),
            files: by(|sample| sample.files),
            threads: by(|sample| sample.threads),
        }
    }

    pub(crate) fn to_json(&self) -> Json {
        let samples = self.0.iter().map(|sample| {
            json!({
                "minute": sample.minute, "memory_mib": sample.memory_mib, "open_files": sample.files,
                "threads": sample.threads, "cpu_seconds": sample.cpu_seconds,
            })
        });
        samples.collect()
    }
}

fn median(samples: &[Sample], what: fn(&Sample) -> f64) -> f64 {
    let mut values: Vec<f64> = samples.iter().map(what).collect();
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn count(number: usize) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a handful")]
    let number = number as f64;
    number
}
