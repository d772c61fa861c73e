//! The report as one page that needs nothing else: no network, no script, light, dark and on paper.

use std::collections::BTreeSet;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use maud::{DOCTYPE, Markup, PreEscaped, html as page};

use super::calendar::{self, Unit};
use super::ledger::{Answer, Doing, Ledger, MachineSum, kilowatt_hours};
use super::table::{damaged, day_of, hours, local, money, remarks};
use idlegate_guard::time::WallTime;
use idlegate_pictures::palette::{ColourRole, DARK, LIGHT, Paper};
use idlegate_pictures::picture::{Picture, Shade, Stretch, Strip};

/// A moment has no width; four minutes of a day can be seen and pointed at.
const MARK_MS: i64 = 240_000;
const QUARTER_MS: i64 = 900_000;
/// More days than this would be a book.
const DAYS_DRAWN_MAX: usize = 31;
/// The table of jobs says how many there are more.
const JOBS_SHOWN_MAX: usize = 200;

const SHAPES: &str = "
:root{color-scheme:light dark}
body{font:16px/1.5 system-ui,sans-serif;max-width:66rem;margin:0 auto;padding:1rem}
h1{font-size:1.5rem;margin:.5rem 0}h2{font-size:1.2rem;margin:2.2rem 0 .4rem}h3{font-size:1.05rem;margin:1.4rem 0 .2rem}
.scroll{overflow-x:auto;margin:.8rem 0}table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}
caption{text-align:left;padding:.3rem 0;font-weight:600}
th,td{text-align:right;padding:.3rem .5rem;border-bottom:1px solid;white-space:nowrap}
th{font-weight:600}th:first-child,td:first-child{text-align:left}tbody th{font-weight:400}
svg{width:100%;height:auto;display:block;margin:.6rem 0}svg text{font:13px system-ui,sans-serif}svg .title{font:600 17px system-ui,sans-serif}
.verdict{font-size:1.3rem;font-weight:600;margin:.6rem 0 .2rem}.narrow{display:none}
@media screen and (max-width:44rem){body{padding:.75rem}.wide{display:none}.narrow{display:block}.scroll{border-right:1px dashed}}
@media print{body{max-width:none}h2{break-after:avoid}svg,tr{break-inside:avoid}.scroll{overflow:visible}}";
/// Of the drawings of weeks and months.
const WIDE: f64 = 960.0;
const NARROW: f64 = 336.0;

fn style() -> String {
    let colours = |paper: Paper, bar: &str| {
        let Paper { ground, ink, soft, rule } = paper;
        format!(
            "body{{color:{ink};background:{ground}}}.soft{{color:{soft}}}th,td{{border-color:{rule}}}\n\
             svg text{{fill:{ink}}}svg .soft{{fill:{soft}}}.bar{{fill:{bar}}}"
        )
    };
    let working = ColourRole::Working.tint();
    let (light, dark) = (colours(LIGHT, working.light), colours(DARK, working.dark));
    format!("{SHAPES}\n{light}\n@media(prefers-color-scheme:dark){{\n{dark}}}\n@media print{{\n{light}}}")
}

pub fn html(ledger: &Ledger, shop: &str, zone: &TimeZone) -> String {
    let (from, to) = (local(ledger.period.from, zone), local(ledger.period.to, zone));
    let title = format!("{shop}: {from} to {to}");
    let body = page! {
        h1 { (shop) }
        (cuts(ledger, zone))
        p.soft { (from) " to " (to) }
        (sums(ledger))
        @for remark in ledger.machines.iter().flat_map(remarks) { p.soft { (remark) "." } }
        @if ledger.damaged > 0 {
            p { (damaged(ledger.damaged)) "." }
        }
        @for (place, sum) in ledger.machines.iter().enumerate() { (machine(sum, place, ledger, zone)) }
        p.soft { "Energy is added up from the outlet's own meter, which is not a billing meter." }
    };
    frame(&title, &body)
}

/// A page that needs nothing else.
pub(crate) fn frame(title: &str, body: &Markup) -> String {
    page! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(style())) }
            }
            body { (body) }
        }
    }
    .into_string()
}

/// What a guard is there for comes first.
fn cuts(ledger: &Ledger, zone: &TimeZone) -> Markup {
    let cuts = ledger.cuts();
    page! {
        p.verdict { "Jobs cut: " (cuts.len()) }
        @if !cuts.is_empty() {
            ul {
                @for (sum, cut) in cuts.iter().take(JOBS_SHOWN_MAX) {
                    li { (local(cut.at, zone)) ", " (sum.title) ", " (cut.time_in_job()) " into its job: " (cut.in_words()) }
                }
                @if cuts.len() > JOBS_SHOWN_MAX { li { "and " (cuts.len() - JOBS_SHOWN_MAX) " more" } }
            }
        }
    }
}

/// A table that can be scrolled sideways, by keyboard, too.
pub(crate) fn table(caption: &str, heads: &[&str], rows: &Markup) -> Markup {
    page! {
        div.scroll role="region" aria-label=(caption) tabindex="0" { table {
            caption { (caption) }
            thead { tr { @for head in heads { th scope="col" { (head) } } } }
            tbody { (rows) }
        } }
    }
}

/// Drawn twice: a narrow screen shows the narrow one.
fn drawing((wide, narrow): (String, String)) -> Markup {
    page! {
        div.wide { (PreEscaped(wide)) }
        div.narrow { (PreEscaped(narrow)) }
    }
}

fn sums(ledger: &Ledger) -> Markup {
    let mut heads = vec!["machine", "working", "idle", "unclear", "off", "not seen", "energy"];
    heads.extend(ledger.currency());
    heads.extend(["jobs", "cut", "held", "forced", "emergencies", "incidents"]);
    let rows = page! {
        @for sum in &ledger.machines { tr {
            th scope="row" { (sum.title) }
            @for span in [sum.working, sum.idle, sum.unclear, sum.off, sum.unseen] {
                td { (format!("{:.1} h", hours(span))) }
            }
            td { (format!("{:.2} kWh", kilowatt_hours(sum.joules))) }
            @if ledger.currency().is_some() { td { (money(sum.cost)) } }
            td { (sum.jobs.len()) } td { (sum.cuts.len()) } td { (sum.held) } td { (sum.forced) } td { (sum.emergencies) }
            td { (sum.incidents) }
        } }
    };
    table("All machines", &heads, &rows)
}

fn machine(sum: &MachineSum, place: usize, ledger: &Ledger, zone: &TimeZone) -> Markup {
    // Of all days of all machines each has a number of its own.
    let numbers = place * DAYS_DRAWN_MAX..;
    page! {
        h2 { (sum.title) }
        @for (day, number) in days(sum, ledger, zone).iter().zip(numbers) { (drawing(day.to_svgs(number))) }
        @for unit in Unit::ALL { (calendar_of(sum, unit, ledger, zone)) }
        @if !sum.jobs.is_empty() { (jobs(sum, ledger, zone)) }
    }
}

fn calendar_of(sum: &MachineSum, unit: Unit, ledger: &Ledger, zone: &TimeZone) -> Markup {
    let parts = calendar::parts(&[sum], unit, ledger.tariff.as_ref(), zone);
    if parts.len() < 2 {
        return page! {};
    }
    let word = unit.word();
    let first = format!("{word} from");
    let mut heads = vec![first.as_str(), "working", "energy"];
    heads.extend(ledger.currency());
    heads.extend(["jobs", "cut"]);
    let rows = page! {
        @for part in &parts { tr {
            th scope="row" { (part.first_day.to_string()) }
            td { (format!("{:.1} h", hours(part.working))) }
            td { (format!("{:.2} kWh", kilowatt_hours(part.joules))) }
            @if ledger.currency().is_some() { td { (money(part.cost)) } }
            td { (part.jobs) } td { (part.cuts) }
        } }
    };
    page! {
        h3 { "By " (word) }
        (drawing((calendar::svg(&parts, unit, WIDE), calendar::svg(&parts, unit, NARROW))))
        (table(&format!("{} by {word}", sum.title), &heads, &rows))
    }
}

fn jobs(sum: &MachineSum, ledger: &Ledger, zone: &TimeZone) -> Markup {
    let mut heads = vec!["job from", "to", "length", "energy", "highest minute"];
    heads.extend(ledger.currency());
    let rows = page! {
        @for job in sum.jobs.iter().take(JOBS_SHOWN_MAX) { tr {
            th scope="row" { (local(job.from, zone)) } td { (local(job.until, zone)) } td { (job.length()) }
            td { (format!("{:.2} kWh", kilowatt_hours(job.joules))) }
            td { (format!("{:.0} W", job.watts_max)) }
            @if ledger.currency().is_some() { td { (money(job.cost)) } }
        } }
    };
    page! {
        (table(&format!("Jobs of {}", sum.title), &heads, &rows))
        @if sum.jobs.len() > JOBS_SHOWN_MAX { p.soft { "and " (sum.jobs.len() - JOBS_SHOWN_MAX) " more" } }
    }
}

/// A drawing for each day of which anything is known, the latest days if there are too many.
fn days(sum: &MachineSum, ledger: &Ledger, zone: &TimeZone) -> Vec<Picture> {
    let known = sum.stretches.iter().filter(|stretch| stretch.doing != Doing::Unseen);
    let of_stretches = known.flat_map(|stretch| days_between(stretch.from, stretch.until, zone));
    let of_decisions = sum.decisions.iter().filter_map(|decided| day_of(decided.at, zone));
    let mut days: BTreeSet<Date> = of_stretches.chain(of_decisions).collect();
    // A calendar is asked once for the minutes of a quarter of an hour: there may be a year of them.
    let mut asked = i64::MIN;
    for (at, _) in &sum.minutes {
        if at.0.div_euclid(QUARTER_MS) != asked {
            asked = at.0.div_euclid(QUARTER_MS);
            days.extend(day_of(*at, zone));
        }
    }
    let skipped = days.len().saturating_sub(DAYS_DRAWN_MAX);
    days.into_iter().skip(skipped).filter_map(|date| day(sum, ledger, date, zone)).collect()
}

/// No more of them than are drawn, the latest.
fn days_between(from: WallTime, until: WallTime, zone: &TimeZone) -> Vec<Date> {
    let Some((first, last)) = day_of(from, zone).zip(day_of(WallTime(until.0 - 1), zone)) else {
        return Vec::new();
    };
    let back = std::iter::successors(Some(last), |day| day.yesterday().ok());
    back.take(DAYS_DRAWN_MAX).take_while(|day| *day >= first).collect()
}

/// The hours of the day in which anything is known, and one on either side; the rest would be an empty sheet.
fn fitted(sum: &MachineSum, from: WallTime, until: WallTime) -> (WallTime, WallTime) {
    const HOUR_MS: i64 = 3_600_000;
    let known = sum.stretches.iter().filter(|stretch| stretch.doing != Doing::Unseen);
    let known = known.filter(|stretch| stretch.from < until && stretch.until > from);
    let inside: Vec<i64> = known
        .flat_map(|stretch| [stretch.from, stretch.until])
        .chain(minutes_between(sum, from, until).iter().map(|(at, _)| *at))
        .chain(sum.decisions.iter().map(|decided| decided.at).filter(|at| *at >= from && *at < until))
        .map(|at| at.0.clamp(from.0, until.0))
        .collect();
    let (Some(first), Some(last)) = (inside.iter().min(), inside.iter().max()) else { return (from, until) };
    let hour = |at: i64| (at - from.0).div_euclid(HOUR_MS) * HOUR_MS + from.0;
    (WallTime((hour(*first) - HOUR_MS).max(from.0)), WallTime((hour(*last) + 2 * HOUR_MS).min(until.0)))
}

fn minutes_between(sum: &MachineSum, from: WallTime, until: WallTime) -> &[(WallTime, f64)] {
    let place = |time: WallTime| sum.minutes.partition_point(|(at, _)| *at < time);
    sum.minutes.get(place(from)..place(until)).unwrap_or_default()
}

/// From midnight to midnight; once a year it has 23 hours, and once 25.
fn day(sum: &MachineSum, ledger: &Ledger, date: Date, zone: &TimeZone) -> Option<Picture> {
    let begins = |date: Date| Some(WallTime(zone.to_timestamp(date.at(0, 0, 0, 0)).ok()?.as_millisecond()));
    let from = begins(date)?.max(ledger.period.from);
    let until = begins(date.tomorrow().ok()?)?.min(ledger.period.to);
    let (from, until) = fitted(sum, from, until);
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
        title: format!("{}, {}", sum.title, date.strftime("%a %Y-%m-%d")),
        caption: "average draw of each minute".to_owned(),
        from,
        until,
        zone: zone.clone(),
        quantity: "draw, W".to_owned(),
        curve: minutes_between(sum, from, until).to_vec(),
        gap_millis: 150_000,
        levels: Vec::new(),
        strips: vec![
            Strip { label: "machine".to_owned(), stretches: verdicts.collect() },
            Strip { label: "requests".to_owned(), stretches: decisions.collect() },
        ],
    })
}
