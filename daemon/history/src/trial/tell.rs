//! A trial as text, JSON and a page.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::html as page;
use serde_json::{Value, json as object};

use super::{MachineOnTrial, Missed, ShadowTrial};
use crate::report::{ShadowSays, frame, table};
use idlegate_guard::time::{Span, WallTime};
use idlegate_plan::text::{counted, rfc3339, tame};

/// More of them are only counted.
const CUTS_TOLD_MAX: usize = 10;
const LINE_CHARS: usize = 1_000;

pub fn words(trial: &ShadowTrial, zone: &TimeZone) -> String {
    let mut lines = vec![format!("{}.", lasted(trial))];
    lines.extend(trial.machines.iter().map(|tried| tame(&sentence(tried, zone), LINE_CHARS)));
    if trial.machines.is_empty() {
        lines.push(NOBODY.to_owned());
    }
    lines.iter().map(|line| format!("{line}\n")).collect()
}

const NOBODY: &str = "No machine was in shadow mode and asked for an off. Set shadow = true under [guard] in a machine's file, and go \
                      on using it as before.";

/// "7 days"
fn lasted(trial: &ShadowTrial) -> String {
    let span = Span(u64::try_from(trial.period.to.0 - trial.period.from.0).unwrap_or(0));
    match span.0 / 86_400_000 {
        0 => span.to_string(),
        days => counted(days, "day"),
    }
}

fn sentence(tried: &MachineOnTrial, zone: &TimeZone) -> String {
    let MachineOnTrial { title, asked, off, held, deferred, .. } = tried;
    let mut said = format!("{title}: {asked} asked; {off} would be off, {held} held, {deferred} deferred.");
    match tried.cuts.as_slice() {
        [] => {}
        [once] => said.push_str(&format!(" It was cut once while it worked ({}).", moment(once, zone))),
        cuts => {
            let mut moments: Vec<String> =
                cuts.iter().take(CUTS_TOLD_MAX).map(|cut| moment(cut, zone)).collect();
            if cuts.len() > CUTS_TOLD_MAX {
                moments.push(format!("and {} more", cuts.len() - CUTS_TOLD_MAX));
            }
            let count = cuts.len();
            said.push_str(&format!(" It was cut {count} times while it worked ({}).", moments.join("; ")));
        }
    }
    if tried.left_on > 0 {
        said.push_str(&format!(" {} of the {off} stayed on.", tried.left_on));
    }
    if tried.unseen > 0 {
        said.push_str(&format!(" What became of {} was not seen.", tried.unseen));
    }
    said.push(' ');
    said.push_str(&verdict(tried));
    said
}

/// "Ready." or what is missing.
fn verdict(tried: &MachineOnTrial) -> String {
    let missing = tried.missing();
    if missing.is_empty() { "Ready.".to_owned() } else { format!("Not yet: {}.", missing.join(", ")) }
}

/// "Tue 14:03, 118 W, would have been held"
fn moment(cut: &Missed, zone: &TimeZone) -> String {
    let watts = cut.watts.map_or_else(String::new, |watts| format!(", {watts:.0} W"));
    let would = match cut.verdict {
        Some(ShadowSays::Held) => ", Idlegate would have held it",
        Some(ShadowSays::Deferred) => ", Idlegate would have waited",
        Some(ShadowSays::Off) => ", Idlegate would have switched it off as well",
        None => ", Idlegate was not asked",
    };
    format!("{}{watts}{would}", local(cut.at, zone))
}

fn local(at: WallTime, zone: &TimeZone) -> String {
    let instant = Timestamp::from_millisecond(at.0);
    instant
        .map_or_else(|_| at.0.to_string(), |at| zone.to_datetime(at).strftime("%a %d %b %H:%M").to_string())
}

pub fn json(trial: &ShadowTrial) -> Value {
    let machines = trial.machines.iter().map(|tried| {
        let cuts = tried.cuts.iter().map(|cut| {
            object!({ "at": rfc3339(cut.at), "watts": cut.watts, "would_have_been": cut.verdict.map(verdict_word) })
        });
        object!({
            "machine": tried.machine, "title": tried.title, "asked": tried.asked, "off": tried.off, "held": tried.held,
            "deferred": tried.deferred, "agreed": tried.agreed, "cut_though_held": tried.cut_though_held, "left_on": tried.left_on,
            "unseen": tried.unseen, "cuts": cuts.collect::<Vec<_>>(),
            "whole_jobs": tried.whole_jobs, "blind_s": seconds(&tried.blind), "away_s": seconds(&tried.away),
            "ready": tried.missing().is_empty(), "missing": tried.missing(),
        })
    });
    object!({
        "from": rfc3339(trial.period.from), "to": rfc3339(trial.period.to), "machines": machines.collect::<Vec<_>>(),
    })
}

fn seconds(spans: &[Span]) -> Vec<f64> {
    spans.iter().map(|span| span.as_secs_f64()).collect()
}

const fn verdict_word(verdict: ShadowSays) -> &'static str {
    match verdict {
        ShadowSays::Off => "off",
        ShadowSays::Held => "held",
        ShadowSays::Deferred => "deferred",
    }
}

pub fn html(trial: &ShadowTrial, zone: &TimeZone) -> String {
    let heads = [
        "machine",
        "asked",
        "off",
        "held",
        "deferred",
        "as decided",
        "cut though held",
        "stayed on",
        "cut while working",
        "whole jobs",
        "verdict",
    ];
    let rows = page! {
        @for tried in &trial.machines { tr {
            th scope="row" { (tried.title) }
            @for count in [tried.asked, tried.off, tried.held, tried.deferred] { td { (count) } }
            @for count in [tried.agreed, tried.cut_though_held, tried.left_on] { td { (count) } }
            @for count in [tried.cuts.len(), tried.whole_jobs] { td { (count) } }
            td { (if tried.missing().is_empty() { "ready" } else { "not yet" }) }
        } }
    };
    let title = format!("{} in shadow mode", lasted(trial));
    let body = page! {
        h1 { (title) }
        @if trial.machines.is_empty() { p { (NOBODY) } }
        @for tried in &trial.machines { p { (sentence(tried, zone)) } }
        (table("What Idlegate would have done", &heads, &rows))
        p.soft { (local(trial.period.from, zone)) " to " (local(trial.period.to, zone)) }
    };
    frame(&title, &body)
}
