//! Readings a second of one core in replay, with the detector in its sandbox, beside only reading the same file.

use std::ffi::OsStr;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context as _, Result, ensure};
use idlegate_recordings::recording::RecordingReader;

use super::Size;
use super::process::shop;
use super::table::Table;

const MACHINES: u32 = 20;
/// Of one machine, a reading a second.
const MONTH: f64 = 30.0 * 86_400.0;

pub(crate) fn measure(size: Size) -> Result<Table> {
    let dir = tempfile::tempdir()?;
    let file = dir.path().join("power.csv");
    write(&file, size.replayed)?;
    let begin = Instant::now();
    let read = RecordingReader::open(&file)?.try_fold(0_u32, |count, point| point.map(|_| count + 1))?;
    let reading = f64::from(read) / begin.elapsed().as_secs_f64();
    ensure!(read == size.replayed, "{read} readings of {} were read", size.replayed);
    let settings = ["--settings".as_ref(), "busy_watts = 40, dwell = \"3 min\"".as_ref()];
    let one_reading = dir.path().join("one-reading.csv");
    write(&one_reading, 1)?;
    let start = replay(&[&[one_reading.as_os_str()], &settings[..]].concat())?;
    let alone = f64::from(read) / (replay(&[&[file.as_os_str()], &settings[..]].concat())? - start);

    let rules = dir.path().join("rules");
    // No broker is asked in a replay.
    shop(&rules, 1883, MACHINES as usize, 1)?;
    write(&file, size.replayed / MACHINES)?;
    let signals: Vec<String> =
        (0..MACHINES).map(|number| format!("--signal=machine-{number}/power={}", file.display())).collect();
    let mut args = vec!["--rules".as_ref(), rules.as_os_str()];
    args.extend(signals.iter().map(OsStr::new));
    let many = f64::from(size.replayed / MACHINES * MACHINES) / (replay(&args)? - start);

    let mut table = Table::new("replay, a detector for each machine", &["readings/s", "a month, s"]);
    table.row("only reading the file", &[reading, MONTH / reading]);
    table.row("replay of one machine", &[alone, MONTH / alone]);
    table.ratio("replay by only reading", 1, 0);
    table.row(format!("replay of {MACHINES} machines"), &[many, MONTH * f64::from(MACHINES) / many]);
    table.ratio("many machines by one", 3, 1);
    println!("replay starts in {start:.2} s, most of it for compiling the detector");
    Ok(table)
}

/// In seconds, from the start of the program to its end.
fn replay(args: &[&OsStr]) -> Result<f64> {
    let program = std::env::current_exe()?.with_file_name("idlegate");
    let begin = Instant::now();
    let output = Command::new(&program)
        .arg("replay")
        .args(args)
        .arg("--json")
        .stdin(Stdio::null())
        .output()
        .with_context(|| program.display().to_string())?;
    let seconds = begin.elapsed().as_secs_f64();
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    ensure!(!output.stdout.is_empty(), "the replay told nothing");
    Ok(seconds)
}

/// A reading a second, with a job of a quarter of an hour in every hour.
fn write(file: &Path, readings: u32) -> Result<()> {
    let mut out = std::io::BufWriter::new(std::fs::File::create(file)?);
    writeln!(out, "time,watts")?;
    for second in 0..i64::from(readings) {
        let at =
            idlegate_plan::text::rfc3339(idlegate_guard::time::WallTime(1_767_607_200_000 + second * 1_000));
        let watts = if second % 3_600 < 900 { 118 + second % 5 } else { 12 + second % 3 };
        writeln!(out, "{at},{watts}")?;
    }
    Ok(out.flush()?)
}
