//! `idlegate report` and `idlegate export`.

use std::io::Write as _;
use std::path::Path;

use anyhow::Context as _;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::args::Excerpt;
use super::exit_code::Exit;
use super::{journal, rules};
use crate::intake::senml::write_pack;
use crate::journal::Query;
use crate::journal::export::{Readings, cloud_event};
use crate::recording::parse_time;
use crate::report::{self, Period, Terms};
use crate::time::{Clock, WallTime};

const WEEK_MS: i64 = 7 * 86_400_000;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shape {
    Words,
    Csv,
    Json,
}

/// A time by RFC 3339, or a day, which is its local midnight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Time(WallTime);

impl std::str::FromStr for Time {
    type Err = String;

    fn from_str(text: &str) -> Result<Time, String> {
        if let Ok(time) = parse_time(text) {
            return Ok(Time(time));
        }
        let midnight = text
            .parse::<Date>()
            .ok()
            .and_then(|day| TimeZone::system().to_timestamp(day.at(0, 0, 0, 0)).ok());
        midnight.map(|instant| Time(WallTime(instant.as_millisecond()))).ok_or_else(|| {
            format!("{text:?} is neither a day such as 2026-11-25 nor a time such as 2026-11-25T14:00:00Z")
        })
    }
}

pub(super) fn report(wanted: &Excerpt, shape: Shape, html: Option<&Path>) -> anyhow::Result<Exit> {
    let to = wanted.to.map_or_else(|| Clock.now().wall, |time| time.0);
    let period = Period { from: wanted.from.map_or(WallTime(to.0 - WEEK_MS), |time| time.0), to };
    if period.from >= period.to {
        eprintln!("idlegate: --from is not before --to");
        return Ok(Exit::Usage);
    }
    let mut terms = Terms { period, machine: wanted.machine.clone(), tariff: None };
    let mut shop = "Workshop".to_owned();
    if let Some(dir) = &wanted.rules {
        let plan = match rules::for_visitor(dir, None)? {
            Ok(plan) => plan,
            Err(exit) => return Ok(exit),
        };
        (shop, terms.tariff) = (plan.shop.title, plan.shop.tariff);
    }
    let reader = match journal::open(wanted.rules.as_deref(), wanted.state_dir.as_deref())? {
        Ok(reader) => reader,
        Err(exit) => return Ok(exit),
    };
    let ledger = report::ledger(&reader, &terms)?;
    let zone = TimeZone::system();
    match shape {
        Shape::Words => print!("{}", report::words(&ledger, &zone)),
        Shape::Csv => print!("{}", report::csv(&ledger)),
        Shape::Json => println!("{:#}", report::json(&ledger)),
    }
    if let Some(file) = html {
        std::fs::write(file, report::html(&ledger, &shop, &zone))
            .with_context(|| format!("cannot write {}", file.display()))?;
    }
    Ok(Exit::Good)
}

/// The journal as CloudEvents, one a line, or its readings as SenML, one record's a line.
pub(super) fn export(wanted: &Excerpt, senml: bool) -> anyhow::Result<Exit> {
    let reader = match journal::open(wanted.rules.as_deref(), wanted.state_dir.as_deref())? {
        Ok(reader) => reader,
        Err(exit) => return Ok(exit),
    };
    let (from, to) = (wanted.from.map(|time| time.0), wanted.to.map(|time| time.0));
    let query = Query { from, to, machine: wanted.machine.clone(), kinds: Vec::new() };
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let mut readings = Readings::default();
    for record in reader.records(&query) {
        let record = record?;
        let line = if senml {
            let readings = readings.of(&record);
            if readings.is_empty() {
                continue;
            }
            write_pack(&readings)?
        } else {
            cloud_event(&record, "/idlegate").to_string()
        };
        let written = writeln!(out, "{line}");
        match written {
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => return Ok(Exit::Good),
            written => written?,
        }
    }
    out.flush()?;
    Ok(Exit::Good)
}
