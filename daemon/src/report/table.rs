//! The report as text, CSV and JSON.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::{Value, json as object};

use super::ledger::{Ledger, MachineSum, kilowatt_hours};
use crate::text::rfc3339;
use crate::time::{Span, WallTime};

/// What a product may draw in standby, and in networked standby, by Regulation (EU) 2023/826: limits for products, no law
/// for a workshop, but a yardstick. (Figures from memory.)
pub(super) const STANDBY_WATTS: f64 = 0.5;
pub(super) const NETWORKED_STANDBY_WATTS: f64 = 2.0;

pub fn words(ledger: &Ledger, zone: &TimeZone) -> String {
    let mut text = String::new();
    let mut line = |words: String| {
        // A text never fails to take more.
        let _ = writeln!(text, "{words}");
    };
    line(format!("{} to {}", local(ledger.period.from, zone), local(ledger.period.to, zone)));
    line(String::new());
    let money = ledger.currency.as_deref().unwrap_or("");
    line(format!(
        "{:<20} {:>9} {:>9} {:>9} {:>9} {:>8} {:>9} {:>5} {:>5} {:>7} {:>9}",
        "machine",
        "working h",
        "idle h",
        "off h",
        "unseen h",
        "kWh",
        money,
        "jobs",
        "held",
        "forced",
        "incidents"
    ));
    for sum in &ledger.machines {
        let cost = sum.cost.map_or_else(|| "-".to_owned(), |cost| format!("{cost:.2}"));
        line(format!(
            "{:<20} {:>9.1} {:>9.1} {:>9.1} {:>9.1} {:>8.2} {:>9} {:>5} {:>5} {:>7} {:>9}",
            sum.machine,
            hours(sum.working),
            hours(sum.idle + sum.unclear),
            hours(sum.off),
            hours(sum.unseen),
            kilowatt_hours(sum.joules),
            cost,
            sum.jobs.len(),
            sum.held,
            sum.forced,
            sum.incidents
        ));
    }
    if ledger.machines.is_empty() {
        line("nothing was recorded in this time".to_owned());
    }
    for sentence in ledger.machines.iter().flat_map(remarks) {
        line(sentence);
    }
    if ledger.damaged > 0 {
        line(damaged(ledger.damaged));
    }
    text
}

pub(super) fn damaged(records: usize) -> String {
    match records {
        1 => "1 record did not match its checksum and was left out".to_owned(),
        more => format!("{more} records did not match their checksums and were left out"),
    }
}

/// What the sums do not say by themselves.
pub(super) fn remarks(sum: &MachineSum) -> Vec<String> {
    let mut remarks = Vec::new();
    if let Some(avoided) = sum.joules_avoided.filter(|joules| *joules > 0.0) {
        remarks.push(format!(
            "{}: off for {} because Idlegate switched it off when it was idle; at its usual idle draw that saved about {:.2} kWh",
            sum.machine,
            sum.off_by_guard,
            kilowatt_hours(avoided)
        ));
    }
    if let Some(watts) = sum.idle_watts.filter(|watts| *watts > NETWORKED_STANDBY_WATTS) {
        remarks.push(format!(
            "{}: it draws {watts:.1} W when idle, {:.2} kWh in all; a product in networked standby may draw {NETWORKED_STANDBY_WATTS} W \
             ({STANDBY_WATTS} W in plain standby) by Regulation (EU) 2023/826",
            sum.machine,
            kilowatt_hours(sum.joules_idle)
        ));
    }
    if sum.silent > Span::secs(60) {
        remarks.push(format!(
            "{}: nothing came from its meter for {}, so nothing was counted in that time",
            sum.machine, sum.silent
        ));
    }
    remarks
}

/// One line for each machine, numbers in base units.
pub fn csv(ledger: &Ledger) -> String {
    let mut text = String::from(
        "machine,from,to,working_s,idle_s,unclear_s,off_s,unseen_s,energy_kwh,idle_energy_kwh,cost,currency,jobs,requests,held,forced,refused,emergencies,incidents\n",
    );
    for sum in &ledger.machines {
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{},{:.6},{:.6},{},{},{},{},{},{},{},{},{}",
            sum.machine,
            rfc3339(ledger.period.from),
            rfc3339(ledger.period.to),
            sum.working.as_secs_f64(),
            sum.idle.as_secs_f64(),
            sum.unclear.as_secs_f64(),
            sum.off.as_secs_f64(),
            sum.unseen.as_secs_f64(),
            kilowatt_hours(sum.joules),
            kilowatt_hours(sum.joules_idle),
            sum.cost.map_or_else(String::new, |cost| format!("{cost:.4}")),
            quoted(ledger.currency.as_deref().unwrap_or("")),
            sum.jobs.len(),
            sum.requests,
            sum.held,
            sum.forced,
            sum.refused,
            sum.emergencies,
            sum.incidents
        );
    }
    text
}

pub fn json(ledger: &Ledger) -> Value {
    let machines = ledger.machines.iter().map(|sum| {
        let jobs = sum.jobs.iter().map(|job| {
            object!({
                "from": rfc3339(job.from), "to": rfc3339(job.until), "watts_max": job.watts_max,
                "energy_kwh": kilowatt_hours(job.joules), "cost": job.cost,
            })
        });
        object!({
            "machine": sum.machine, "working_s": sum.working.as_secs_f64(), "idle_s": sum.idle.as_secs_f64(),
            "unclear_s": sum.unclear.as_secs_f64(), "off_s": sum.off.as_secs_f64(), "unseen_s": sum.unseen.as_secs_f64(),
            "energy_kwh": kilowatt_hours(sum.joules), "idle_energy_kwh": kilowatt_hours(sum.joules_idle),
            "cost": sum.cost, "watts_max": sum.watts_max, "meter_silent_s": sum.silent.as_secs_f64(),
            "idle_watts": sum.idle_watts, "off_by_guard_s": sum.off_by_guard.as_secs_f64(),
            "energy_avoided_kwh": sum.joules_avoided.map(kilowatt_hours), "jobs": jobs.collect::<Vec<_>>(),
            "requests": sum.requests, "held": sum.held, "forced": sum.forced, "refused": sum.refused,
            "emergencies": sum.emergencies, "incidents": sum.incidents,
        })
    });
    object!({
        "from": rfc3339(ledger.period.from), "to": rfc3339(ledger.period.to), "currency": ledger.currency,
        "machines": machines.collect::<Vec<_>>(), "damaged_records": ledger.damaged,
    })
}

/// RFC 4180, section 2: a cell with a comma, a quote or a line break is quoted.
fn quoted(cell: &str) -> String {
    if cell.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_owned()
    }
}

pub(super) fn local(at: WallTime, zone: &TimeZone) -> String {
    Timestamp::from_millisecond(at.0).map_or_else(
        |_| at.0.to_string(),
        |instant| zone.to_datetime(instant).strftime("%a %Y-%m-%d %H:%M").to_string(),
    )
}

/// Nothing for a time beyond any calendar.
pub(super) fn day_of(at: WallTime, zone: &TimeZone) -> Option<Date> {
    Timestamp::from_millisecond(at.0).ok().map(|instant| zone.to_datetime(instant).date())
}

pub(super) fn hours(span: Span) -> f64 {
    span.as_secs_f64() / 3_600.0
}
