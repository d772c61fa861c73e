//! The report as one page that needs nothing else: no network, no script, light, dark and on paper.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use maud::{DOCTYPE, Markup, PreEscaped, html as page};

use super::bars;
use super::ledger::{Answer, Doing, Ledger, MachineSum, kilowatt_hours};
use super::table::{damaged, day_of, hours, local, remarks};
use crate::palette::{DARK, LIGHT, Paper, Role};
use crate::picture::{Picture, Shade, Stretch, Strip};
use crate::time::WallTime;

/// A moment has no width; four minutes of a day can be seen and pointed at.
const MARK_MS: i64 = 240_000;
/// More days than this would be a book.
const DAYS_DRAWN_MAX: usize = 31;
/// The table of jobs says how many there are more.
const JOBS_SHOWN_MAX: usize = 200;

const SHAPES: &str = "
:root{color-scheme:light dark}
body{font:16px/1.5 system-ui,sans-serif;max-width:66rem;margin:0 auto;padding:1rem}
h1{font-size:1.5rem;margin:.5rem 0}h2{font-size:1.2rem;margin:2.2rem 0 .4rem}
.scroll{overflow-x:auto}table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}
th,td{text-align:right;padding:.3rem .5rem;border-bottom:1px solid;white-space:nowrap}
th:first-child,td:first-child{text-align:left}
svg{width:100%;min-width:46rem;height:auto;display:block;margin:.6rem 0}svg text{font:13px system-ui,sans-serif}
@media print{body{max-width:none}h2{break-after:avoid}svg,tr{break-inside:avoid}svg{min-width:0}.scroll{overflow:visible}}";

fn style() -> String {
    let colours = |paper: Paper, bar: &str| {
        let Paper { ground, ink, soft, rule } = paper;
        format!(
            "body{{color:{ink};background:{ground}}}.soft{{color:{soft}}}th,td{{border-color:{rule}}}\n\
             svg text{{fill:{ink}}}svg .soft{{fill:{soft}}}.bar{{fill:{bar}}}"
        )
    };
    let working = Role::Working.tint();
    let (light, dark) = (colours(LIGHT, working.light), colours(DARK, working.dark));
    format!("{SHAPES}\n{light}\n@media(prefers-color-scheme:dark){{\n{dark}}}\n@media print{{\n{light}}}")
}

pub fn html(ledger: &Ledger, shop: &str, zone: &TimeZone) -> String {
    let (from, to) = (local(ledger.period.from, zone), local(ledger.period.to, zone));
    let title = format!("{shop}: {from} to {to}");
    page! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(style())) }
            }
            body {
                h1 { (shop) }
                p.soft { (from) " to " (to) }
                (sums(ledger))
                @for remark in ledger.machines.iter().flat_map(remarks) { p.soft { (remark) "." } }
                @if ledger.damaged > 0 {
                    p { (damaged(ledger.damaged)) "." }
                }
                @for sum in &ledger.machines { (machine(sum, ledger, zone)) }
                p.soft { "Energy is added up from the outlet's own meter, which is not a billing meter." }
            }
        }
    }
    .into_string()
}

fn sums(ledger: &Ledger) -> Markup {
    page! {
        div.scroll { table {
            thead { tr {
                th { "machine" } th { "working" } th { "idle" } th { "off" } th { "not seen" } th { "energy" }
                @if let Some(currency) = &ledger.currency { th { (currency) } }
                th { "jobs" } th { "held" } th { "forced" } th { "emergencies" } th { "incidents" }
            } }
            tbody { @for sum in &ledger.machines { tr {
                td { (sum.machine) }
                @for span in [sum.working, sum.idle + sum.unclear, sum.off, sum.unseen] {
                    td { (format!("{:.1} h", hours(span))) }
                }
                td { (format!("{:.2} kWh", kilowatt_hours(sum.joules))) }
                @if ledger.currency.is_some() { td { (money(sum.cost)) } }
                td { (sum.jobs.len()) } td { (sum.held) } td { (sum.forced) } td { (sum.emergencies) } td { (sum.incidents) }
            } } }
        } }
    }
}

fn machine(sum: &MachineSum, ledger: &Ledger, zone: &TimeZone) -> Markup {
    let weeks = bars::weeks(sum, zone);
    page! {
        h2 { (sum.machine) }
        @for day in days(sum, ledger, zone) { div.scroll { (PreEscaped(day.to_svg())) } }
        @if weeks.len() > 1 { p.soft { "Energy by week" } div.scroll { (PreEscaped(bars::svg(&weeks))) } }
        @if !sum.jobs.is_empty() {
            div.scroll { table {
                thead { tr {
                    th { "job from" } th { "to" } th { "length" } th { "energy" } th { "highest minute" }
                    @if let Some(currency) = &ledger.currency { th { (currency) } }
                } }
                tbody { @for job in sum.jobs.iter().take(JOBS_SHOWN_MAX) { tr {
                    td { (local(job.from, zone)) } td { (local(job.until, zone)) } td { (job.length()) }
                    td { (format!("{:.2} kWh", kilowatt_hours(job.joules))) }
                    td { (format!("{:.0} W", job.watts_max)) }
                    @if ledger.currency.is_some() { td { (money(job.cost)) } }
                } } }
            } }
            @if sum.jobs.len() > JOBS_SHOWN_MAX { p.soft { "and " (sum.jobs.len() - JOBS_SHOWN_MAX) " more" } }
        }
    }
}

fn money(sum: Option<f64>) -> String {
    sum.map_or_else(|| "-".to_owned(), |sum| format!("{sum:.2}"))
}

/// A strip for each day on which anything was heard, the latest days if there are too many.
fn days(sum: &MachineSum, ledger: &Ledger, zone: &TimeZone) -> Vec<Picture> {
    let mut days: Vec<Date> = sum.minutes.iter().filter_map(|(at, _)| day_of(*at, zone)).collect();
    days.dedup();
    let skipped = days.len().saturating_sub(DAYS_DRAWN_MAX);
    days[skipped..].iter().filter_map(|date| day(sum, ledger, *date, zone)).collect()
}

/// From midnight to midnight; once a year it has 23 hours, and once 25.
fn day(sum: &MachineSum, ledger: &Ledger, date: Date, zone: &TimeZone) -> Option<Picture> {
    let begins = |date: Date| Some(WallTime(zone.to_timestamp(date.at(0, 0, 0, 0)).ok()?.as_millisecond()));
    let from = begins(date)?.max(ledger.period.from);
    let until = begins(date.tomorrow().ok()?)?.min(ledger.period.to);
    let within = |at: &WallTime| *at >= from && *at < until;
    let clip = |stretch: &super::ledger::Stretch| {
        let (from, until) = (stretch.from.max(from), stretch.until.min(until));
        (from < until).then_some((from, until, stretch.doing))
    };
    let shown = |doing| match doing {
        Doing::Working => (Shade::Busy, "working"),
        Doing::Idle => (Shade::Idle, "idle"),
        Doing::Unclear | Doing::Unseen => (Shade::Unknown, "not known"),
        Doing::Off => (Shade::Off, "off"),
    };
    let verdicts = sum.stretches.iter().filter_map(clip).map(|(from, until, doing)| {
        let (shade, note) = shown(doing);
        Stretch { from, until, shade, note: note.to_owned() }
    });
    let decisions = sum.decisions.iter().filter(|decided| within(&decided.at)).map(|decided| Stretch {
        from: decided.at,
        until: WallTime((decided.at.0 + MARK_MS).min(until.0)),
        shade: match decided.answer {
            Answer::Obeyed => Shade::Obeyed,
            Answer::NotObeyed => Shade::Held,
            Answer::Emergency => Shade::Emergency,
        },
        note: decided.words.clone(),
    });
    Some(Picture {
        title: format!("{}, {}", sum.machine, date.strftime("%a %Y-%m-%d")),
        caption: "average draw of each minute".to_owned(),
        from,
        until,
        zone: zone.clone(),
        quantity: "draw, W".to_owned(),
        curve: sum.minutes.iter().filter(|(at, _)| within(at)).copied().collect(),
        gap_millis: 150_000,
        levels: Vec::new(),
        strips: vec![
            Strip { label: "machine".to_owned(), stretches: verdicts.collect() },
            Strip { label: "requests".to_owned(), stretches: decisions.collect() },
        ],
    })
}
