//! The report as text, CSV and JSON.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::{Value, json as object};

use super::blind;
use super::calendar::{self, Part, Unit};
use super::ledger::{Ledger, MachineSum, kilowatt_hours};
use super::silences;
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::text::{counted, rfc3339, tame};

/// What a product may draw in standby, and in networked standby, by Regulation (EU) 2023/826: limits for products, no
/// law for a workshop, but a yardstick. (Figures from memory.)
pub(super) const STANDBY_WATTS: f64 = 0.5;
pub(super) const NETWORKED_STANDBY_WATTS: f64 = 2.0;

/// More of them are only counted.
const CUTS_TOLD_MAX: usize = 20;
const LINE_CHARS: usize = 400;

pub fn words(ledger: &Ledger, zone: &TimeZone) -> String {
    let mut lines = cuts(ledger, zone);
    lines.push(format!("{} to {}", local(ledger.period.from, zone), local(ledger.period.to, zone)));
    lines.push(String::new());
    sums(ledger, &mut lines);
    if ledger.machines.is_empty() {
        lines.push("nothing was recorded in this time".to_owned());
    }
    lines.extend(ledger.machines.iter().flat_map(remarks));
    for unit in Unit::ALL {
        by(ledger, unit, zone, &mut lines);
    }
    if ledger.damaged > 0 {
        lines.push(damaged(ledger.damaged));
    }
    lines.iter().map(|line| format!("{line}\n")).collect()
}

/// What a guard is there for comes first.
fn cuts(ledger: &Ledger, zone: &TimeZone) -> Vec<String> {
    let cuts = ledger.cuts();
    let told = cuts.iter().take(CUTS_TOLD_MAX).map(|(sum, cut)| {
        let (at, into, how) = (local(cut.at, zone), cut.time_in_job(), cut.in_words());
        format!("  {}", tame(&format!("{at}  {}, {into} into its job: {how}", sum.title), LINE_CHARS))
    });
    let mut lines = vec![format!("Jobs cut: {}", cuts.len())];
    lines.extend(told);
    if cuts.len() > CUTS_TOLD_MAX {
        lines.push(format!("  and {} more", cuts.len() - CUTS_TOLD_MAX));
    }
    lines.push(String::new());
    lines
}

fn sums(ledger: &Ledger, lines: &mut Vec<String>) {
    lines.push(format!(
        "{:<20} {:>9} {:>9} {:>9} {:>9} {:>9} {:>8} {:>9} {:>5} {:>5} {:>7} {:>9}",
        "machine",
        "working h",
        "idle h",
        "unclear h",
        "off h",
        "unseen h",
        "kWh",
        ledger.currency().unwrap_or(""),
        "jobs",
        "held",
        "forced",
        "incidents"
    ));
    for sum in &ledger.machines {
        lines.push(format!(
            "{:<20} {:>9.1} {:>9.1} {:>9.1} {:>9.1} {:>9.1} {:>8.2} {:>9} {:>5} {:>5} {:>7} {:>9}",
            tame(&sum.title, 40),
            hours(sum.working),
            hours(sum.idle),
            hours(sum.unclear),
            hours(sum.off),
            hours(sum.unseen),
            kilowatt_hours(sum.joules),
            money(sum.cost),
            sum.jobs.len(),
            sum.held,
            sum.forced,
            sum.incidents
        ));
    }
}

/// All machines together, where the time is longer than one week or month.
fn by(ledger: &Ledger, unit: Unit, zone: &TimeZone, lines: &mut Vec<String>) {
    let parts = parts(ledger, unit, zone);
    if parts.len() < 2 {
        return;
    }
    let money_word = ledger.currency().unwrap_or("");
    lines.push(String::new());
    lines.push(format!(
        "{:<20} {:>9} {:>8} {:>9} {:>5} {:>9}",
        format!("{} from", unit.word()),
        "working h",
        "kWh",
        money_word,
        "jobs",
        "jobs cut"
    ));
    for part in parts {
        lines.push(format!(
            "{:<20} {:>9.1} {:>8.2} {:>9} {:>5} {:>9}",
            part.first_day.to_string(),
            hours(part.working),
            kilowatt_hours(part.joules),
            money(part.cost),
            part.jobs,
            part.cuts
        ));
    }
}

/// Of all machines together.
fn parts(ledger: &Ledger, unit: Unit, zone: &TimeZone) -> Vec<Part> {
    calendar::parts(&ledger.machines.iter().collect::<Vec<_>>(), unit, ledger.tariff.as_ref(), zone)
}

pub(super) fn money(sum: Option<f64>) -> String {
    sum.map_or_else(|| "-".to_owned(), |sum| format!("{sum:.2}"))
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
    let shadow = &sum.shadow;
    if shadow.requests > 0 {
        let asked = counted(shadow.requests, "request");
        remarks.push(format!(
            "{}: {asked} in shadow mode, counted in no sum: {} would have been obeyed, {} held, {} deferred, {} refused",
            sum.title, shadow.obeyed, shadow.held, shadow.deferred, shadow.refused
        ));
    }
    if let Some(avoided) = sum.joules_avoided.filter(|joules| *joules > 0.0) {
        remarks.push(format!(
            "{}: off for {} because Idlegate switched it off when it was idle; at its usual idle draw that saved about {:.2} kWh",
            sum.title,
            sum.off_by_guard,
            kilowatt_hours(avoided)
        ));
    }
    if let Some(watts) = sum.idle_watts.filter(|watts| *watts > NETWORKED_STANDBY_WATTS) {
        remarks.push(format!(
            "{}: it draws {watts:.1} W when idle, {:.2} kWh in all; a product in networked standby may draw {NETWORKED_STANDBY_WATTS} W \
             ({STANDBY_WATTS} W in plain standby) by Regulation (EU) 2023/826",
            sum.title,
            kilowatt_hours(sum.joules_idle)
        ));
    }
    for advice in silences::advice(sum) {
        // Whoever shows a remark ends it.
        remarks.push(format!("{}: {}. {}", sum.machine, advice.found, advice.remedy.trim_end_matches('.')));
    }
    remarks.extend(blind::remark(sum));
    if sum.silent > Span::secs(60) {
        remarks.push(format!(
            "{}: nothing came from its meter for {}, so nothing was counted in that time",
            sum.title, sum.silent
        ));
    }
    remarks
}

/// One line for each machine, numbers in base units.
pub fn csv(ledger: &Ledger) -> String {
    let mut text = String::from(
        "machine,from,to,working_s,idle_s,unclear_s,off_s,unseen_s,energy_kwh,idle_energy_kwh,cost,currency,jobs,requests,held,forced,refused,emergencies,incidents,jobs_cut,shadow_requests\n",
    );
    for sum in &ledger.machines {
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{},{:.6},{:.6},{},{},{},{},{},{},{},{},{},{},{}",
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
            quoted(ledger.currency().unwrap_or("")),
            sum.jobs.len(),
            sum.requests,
            sum.held,
            sum.forced,
            sum.refused,
            sum.emergencies,
            sum.incidents,
            sum.cuts.len(),
            sum.shadow.requests
        );
    }
    text
}

pub fn json(ledger: &Ledger, zone: &TimeZone) -> Value {
    let machines = ledger.machines.iter().map(|sum| {
        let jobs = sum.jobs.iter().map(|job| {
            object!({
                "from": rfc3339(job.from), "to": rfc3339(job.until), "watts_max": job.watts_max,
                "energy_kwh": kilowatt_hours(job.joules), "cost": job.cost,
            })
        });
        let cuts = sum.cuts.iter().map(|cut| {
            object!({
                "at": rfc3339(cut.at), "job_from": rfc3339(cut.since), "how": cut.how.word(), "input": cut.input,
                "who": cut.who,
            })
        });
        let shadow = &sum.shadow;
        object!({
            "cuts": cuts.collect::<Vec<_>>(), "shadow": {
                "requests": shadow.requests, "obeyed": shadow.obeyed, "held": shadow.held,
                "deferred": shadow.deferred, "refused": shadow.refused,
            },
            "machine": sum.machine, "title": sum.title, "working_s": sum.working.as_secs_f64(), "idle_s": sum.idle.as_secs_f64(),
            "unclear_s": sum.unclear.as_secs_f64(), "off_s": sum.off.as_secs_f64(), "unseen_s": sum.unseen.as_secs_f64(),
            "energy_kwh": kilowatt_hours(sum.joules), "idle_energy_kwh": kilowatt_hours(sum.joules_idle),
            "cost": sum.cost, "watts_max": sum.watts_max, "meter_silent_s": sum.silent.as_secs_f64(),
            "idle_watts": sum.idle_watts, "off_by_guard_s": sum.off_by_guard.as_secs_f64(),
            "energy_avoided_kwh": sum.joules_avoided.map(kilowatt_hours), "jobs": jobs.collect::<Vec<_>>(),
            "requests": sum.requests, "held": sum.held, "forced": sum.forced, "refused": sum.refused,
            "emergencies": sum.emergencies, "incidents": sum.incidents, "blind": blind::json(sum), "silences": silences::json(&sum.silences),
            "advice": silences::advice(sum).iter().map(|it| format!("{}. {}", it.found, it.remedy)).collect::<Vec<_>>(),
        })
    });
    let by = |unit: Unit| {
        let part = |part: &Part| {
            object!({
                "from": part.first_day.to_string(), "working_s": part.working.as_secs_f64(),
                "energy_kwh": kilowatt_hours(part.joules), "cost": part.cost, "jobs": part.jobs, "jobs_cut": part.cuts,
            })
        };
        parts(ledger, unit, zone).iter().map(part).collect::<Vec<_>>()
    };
    object!({
        "jobs_cut": ledger.cuts().len(), "weeks": by(Unit::Week), "months": by(Unit::Month),
        "from": rfc3339(ledger.period.from), "to": rfc3339(ledger.period.to), "currency": ledger.currency(),
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
