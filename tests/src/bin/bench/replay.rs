//! Readings a second of one core in replay, with the detector in its sandbox, beside only reading the same file.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use anyhow::{Context as _, Result, ensure};
use idlegate::recording::Reader;

use super::Size;
use super::table::Table;

pub(crate) fn measure(size: Size) -> Result<Table> {
    let dir = tempfile::tempdir()?;
    let file = dir.path().join("power.csv");
    write(&file, size.replayed)?;
    let begin = Instant::now();
    let read = Reader::open(&file)?.try_fold(0_u32, |count, point| point.map(|_| count + 1))?;
    let reading = f64::from(read) / begin.elapsed().as_secs_f64();
    ensure!(read == size.replayed, "{read} readings of {} were read", size.replayed);
    let program = std::env::current_exe()?.with_file_name("idlegate");
    let begin = Instant::now();
    let output = Command::new(&program)
        .args(["replay".as_ref(), file.as_os_str(), "--settings".as_ref()])
        .args(["busy_above = 40, idle_for = \"3 min\"", "--json"])
        .stdin(Stdio::null())
        .output()
        .with_context(|| program.display().to_string())?;
    let replaying = f64::from(read) / begin.elapsed().as_secs_f64();
    ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let mut table = Table::new("replay of one machine, one detector", &["readings/s"]);
    table.row("only reading the file", &[reading]);
    table.row("replay, start of the program included", &[replaying]);
    table.ratio("replay by only reading", 1, 0);
    Ok(table)
}

/// A reading a second, with a job of a quarter of an hour in every hour.
fn write(file: &Path, readings: u32) -> Result<()> {
    let mut out = std::io::BufWriter::new(std::fs::File::create(file)?);
    writeln!(out, "time,watts")?;
    for second in 0..i64::from(readings) {
        let at = idlegate::text::rfc3339(idlegate::time::WallTime(1_767_607_200_000 + second * 1_000));
        let watts = if second % 3_600 < 900 { 118 + second % 5 } else { 12 + second % 3 };
        writeln!(out, "{at},{watts}")?;
    }
    Ok(out.flush()?)
}
