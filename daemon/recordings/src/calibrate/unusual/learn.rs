//! One limit after the other, each with what it rests on, or with why it stays off.

use idlegate_detector::{Span, quantity};
use unusual_draw::track::Levels;
use unusual_draw::watch::{Finding, Unusual, Watch};

use super::days::{Day, days};
use super::margin::factor;
use super::settings::Settings;
use super::switch_ons::{SwitchOn, switch_ons};
use super::{Event, Past, moment};
use crate::calibrate::jobs;
use crate::calibrate::proposal::GAP_MAX_DEFAULT;
use crate::calibrate::take::Take;
use idlegate_guard::time::WallTime;
use idlegate_plan::text::counted;

/// Somebody's mains is a tenth higher at times, whatever these days were like.
const HIGHER_FACTOR_MIN: f64 = 1.12;
/// Thirty per cent more must be told even on a day that draws a tenth less than the highest; else better nothing is.
const HIGHER_FACTOR_MAX: f64 = 1.17;
const LONGER_FACTOR_MIN: f64 = 1.5;
const LONGER_FACTOR_MAX: f64 = 10.0;
/// Where half of the shortest work would not be told, better nothing is said.
const SHORTER_FACTOR_MAX: f64 = 2.0;
const LONGER_MAX: Span = Span::from_mins(24 * 60);
/// Work so short is somebody trying something.
const SHORTER_MIN: Span = Span::from_mins(1);
/// A meter's noise reaches as high.
const NOTHING_WATTS_MIN: f64 = 2.0;
const DEAD_AFTER: Span = Span::from_secs(60);
const DRAWS_WITHIN_MIN: Span = Span::from_secs(30);
const DRAWS_WITHIN_MAX: Span = Span::from_mins(10);
/// Two times of switching on that differ by less are the same.
const SWITCH_STEP: Span = Span::from_secs(5);

/// What was learned of each thing that is watched for.
#[derive(Clone, Debug, PartialEq)]
pub struct Learned {
    pub settings: Settings,
    /// In the order in which people are told.
    pub lessons: Vec<Lesson>,
    /// On so many days it worked.
    pub days: usize,
}

/// One thing that is watched for, or not.
#[derive(Clone, Debug, PartialEq)]
pub struct Lesson {
    pub watches_for: &'static str,
    /// What the limit rests on; else why there is none.
    pub because: Result<String, String>,
}

/// From all the recordings of one machine.
pub fn learn(pasts: &[Past]) -> Learned {
    let takes: Vec<Take> = pasts.iter().map(Past::while_on).collect();
    let interval = takes.iter().map(Take::interval_usual_max).max().unwrap_or_default();
    let gap_max = Span::from_millis(interval.millis().saturating_mul(2));
    let is_slow = gap_max.as_millis() > GAP_MAX_DEFAULT.millis();
    let mut settings = Settings { gap_max: is_slow.then_some(gap_max), ..Settings::default() };
    let first = days(pasts, settings.levels());
    let at_work = highest_of_working_days(&first);
    let higher = higher(&mut settings, &at_work);
    let on_watts = (!at_work.is_empty()).then(|| rounded(middle(&at_work) / 2.0));
    let work_watts = jobs::between(&takes).map(|between| rounded(between.middle_watts()));
    let second = days(pasts, Levels { on_watts, work_watts, ..settings.levels() });
    let longer = longer(&mut settings, &second, on_watts);
    let shorter = shorter(&mut settings, &second, work_watts);
    let switch_ons = switch_ons(pasts);
    let (silent, starts_watts) = silent(&mut settings, &switch_ons);
    let dead = dead(&mut settings, &first, work_watts, starts_watts);
    let lessons = [
        ("a higher draw than ever", higher),
        ("on for longer than ever", longer),
        ("dead in the middle of its work", dead),
        ("stopped sooner than ever", shorter),
        ("no draw after it was switched on", silent),
    ];
    let lessons = lessons.map(|(watches_for, because)| Lesson { watches_for, because }).to_vec();
    let mut learned = Learned { settings, lessons, days: at_work.len() };
    rehearse(pasts, &mut learned);
    learned
}

type Because = Result<String, String>;

/// On a day on which it only rested, nothing is learned of how high it draws.
fn highest_of_working_days(days: &[Day]) -> Vec<f64> {
    let all = || days.iter().filter_map(|day| day.highest_watts);
    let most = all().fold(0.0, f64::max);
    all().filter(|watts| *watts > 0.0 && *watts >= most / 2.0).collect()
}

fn middle(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

fn too_few(days: usize) -> String {
    match days {
        0 => "no such day is in the recordings".to_owned(),
        days => format!("{} tell too little; a week of work tells enough", counted(days, "day")),
    }
}

fn higher(settings: &mut Settings, at_work: &[f64]) -> Because {
    let most = at_work.iter().copied().fold(0.0, f64::max);
    let factor = factor(at_work, 1.02).ok_or_else(|| too_few(at_work.len()))?.max(HIGHER_FACTOR_MIN);
    let days = counted(at_work.len(), "day");
    if factor > HIGHER_FACTOR_MAX {
        let least = at_work.iter().copied().fold(f64::MAX, f64::min);
        return Err(format!(
            "on {days} of work its highest draw was between {} and {}, which is too few days or too far apart for a limit",
            watts(least),
            watts(most)
        ));
    }
    settings.highest_watts = Some(most.round());
    settings.higher_than_watts = Some((most * factor).ceil());
    Ok(format!("on {days} of work its highest draw was {}", watts(most)))
}

fn longer(settings: &mut Settings, days: &[Day], on_watts: Option<f64>) -> Because {
    let spans: Vec<Span> =
        days.iter().filter_map(|day| day.on_longest).filter(|it| *it > Span::ZERO).collect();
    let secs: Vec<f64> = spans.iter().map(|span| span.as_secs_f64()).collect();
    let factor = factor(&secs, 1.1).ok_or_else(|| too_few(secs.len()))?.max(LONGER_FACTOR_MIN);
    let most = spans.iter().copied().max().unwrap_or_default();
    let limit = whole_minutes_up(times(most, factor));
    let seen = format!(
        "on {} its longest time above {} was {}",
        counted(secs.len(), "day"),
        watts(on_watts.unwrap_or(0.0)),
        most.whole_secs()
    );
    if factor > LONGER_FACTOR_MAX || limit > LONGER_MAX {
        return Err(format!("{seen}, and these times are too few or too far apart for a limit"));
    }
    settings.on_watts = on_watts;
    settings.on_longest = Some(whole_secs_up(most));
    settings.on_longer_than = Some(limit);
    Ok(seen)
}

fn shorter(settings: &mut Settings, days: &[Day], work_watts: Option<f64>) -> Because {
    let spans: Vec<Span> = days.iter().filter_map(|day| day.work_shortest).collect();
    let secs: Vec<f64> = spans.iter().map(|span| span.as_secs_f64()).collect();
    // The same question, asked of rates.
    let rates: Vec<f64> = secs.iter().map(|secs| secs.recip()).collect();
    let factor = factor(&rates, 1.1).ok_or_else(|| too_few(secs.len()))?.max(LONGER_FACTOR_MIN);
    let least = spans.iter().copied().min().unwrap_or_default().whole_secs();
    let limit = times(least, factor.recip()).whole_secs();
    let seen = format!("on {} its shortest work took {}", counted(secs.len(), "day"), least);
    if factor > SHORTER_FACTOR_MAX || limit < SHORTER_MIN {
        return Err(format!("{seen}, so any end may be usual"));
    }
    settings.work_watts = work_watts;
    settings.work_shortest = Some(least);
    settings.work_shorter_than = Some(limit);
    Ok(seen)
}

/// Also what it draws then, from which on that counts as something.
fn silent(settings: &mut Settings, seen: &[SwitchOn]) -> (Because, Option<f64>) {
    let draws: Vec<f64> = seen.iter().map(SwitchOn::highest_watts).collect();
    let none = draws.iter().filter(|watts| **watts < NOTHING_WATTS_MIN).count();
    let count = counted(seen.len(), "time");
    if none > 0 {
        let told = format!(
            "of {count} that it was switched on, it drew nothing for two minutes {}",
            counted(none, "time")
        );
        return (Err(told), None);
    }
    let Some(spread) = factor(&draws, 1.1) else {
        let told = format!("it was seen to be switched on {count}; a dozen tell enough");
        return (Err(told), None);
    };
    let least = draws.iter().copied().fold(f64::MAX, f64::min);
    let starts_watts = least / 2.0;
    let waits: Vec<Span> = seen
        .iter()
        .filter_map(|it| it.draws_after(starts_watts))
        .map(|span| Span::from_millis(span.millis()).max(SWITCH_STEP))
        .collect();
    let secs: Vec<f64> = waits.iter().map(|span| span.as_secs_f64()).collect();
    let most = waits.iter().copied().max().unwrap_or_default();
    let limit = factor(&secs, 1.1).map(|factor| times(most, factor).max(DRAWS_WITHIN_MIN).whole_secs());
    let told = format!(
        "each of the {count} that it was switched on it drew {} or more within {}",
        watts(least),
        most.whole_secs()
    );
    match limit.filter(|limit| spread <= 2.0 && *limit <= DRAWS_WITHIN_MAX) {
        None => (Err(format!("{told}, and these are too few or too far apart for a limit")), None),
        Some(limit) => {
            settings.nothing_watts = Some(hundredths(starts_watts));
            settings.draws_within = Some(limit);
            (Ok(told), Some(starts_watts))
        }
    }
}

fn dead(
    settings: &mut Settings,
    days: &[Day],
    work_watts: Option<f64>,
    starts_watts: Option<f64>,
) -> Because {
    let lowest: Vec<f64> = days.iter().filter_map(|day| day.lowest_watts).collect();
    let least = lowest.iter().copied().fold(f64::MAX, f64::min);
    if least < NOTHING_WATTS_MIN {
        return Err("at rest it draws as little as one that is dead".to_owned());
    }
    let rates: Vec<f64> = lowest.iter().map(|watts| watts.recip()).collect();
    let spread = factor(&rates, 1.1).ok_or_else(|| too_few(lowest.len()))?;
    let seen = format!("on {} it drew {} at least", counted(lowest.len(), "day"), watts(least));
    let Some(work_watts) = work_watts.filter(|_| spread <= 2.0) else {
        return Err(format!("{seen}, which is too few days or too far apart for a limit"));
    };
    let nothing_watts = starts_watts.map_or(least / 2.0, |starts| starts.min(least / 2.0));
    settings.nothing_watts = Some(hundredths(nothing_watts));
    settings.work_watts = Some(work_watts);
    settings.dead_after = Some(DEAD_AFTER.max(settings.gap_max.unwrap_or(Span::ZERO)));
    Ok(seen)
}

/// Tried on the very recordings, with the detector's own rules. What would have warned there is off.
fn rehearse(pasts: &[Past], learned: &mut Learned) {
    while let Some(unusual) = first_warning(pasts, &learned.settings) {
        let settings = &mut learned.settings;
        let index = match unusual {
            Unusual::Higher { .. } => {
                settings.higher_than_watts = None;
                0
            }
            Unusual::StuckOn { .. } => {
                settings.on_longer_than = None;
                1
            }
            Unusual::Dead { .. } => {
                settings.dead_after = None;
                2
            }
            Unusual::StoppedEarly { .. } => {
                settings.work_shorter_than = None;
                3
            }
            Unusual::Silent { .. } => {
                settings.draws_within = None;
                4
            }
        };
        learned.lessons[index].because = Err("it would have warned in these very recordings".to_owned());
    }
}

fn first_warning(pasts: &[Past], settings: &Settings) -> Option<Unusual> {
    pasts.iter().find_map(|past| warnings(past, settings).first().map(|(_, unusual)| *unusual))
}

/// What the detector warns of in a recording, and from when on.
pub fn warnings(past: &Past, settings: &Settings) -> Vec<(WallTime, Unusual)> {
    let mut watch = Watch::new(settings.limits());
    let mut found: Vec<(WallTime, Unusual)> = Vec::new();
    let mut before = None;
    for event in past.events() {
        let sample = match event {
            Event::Outlet { at, is_off } => {
                watch.outlet(at, is_off);
                continue;
            }
            Event::Power(sample) => sample,
        };
        let at = moment(sample.at);
        watch.power(at, sample.watts);
        let unusual = match watch.finding(at) {
            Finding::Unusual(unusual) => Some(unusual),
            Finding::NothingYet | Finding::Overdue { .. } | Finding::Off | Finding::Usual => None,
        };
        let kind = unusual.map(|unusual| std::mem::discriminant(&unusual));
        found.extend(unusual.filter(|_| kind != before).map(|unusual| (sample.at, unusual)));
        before = kind;
    }
    found
}

fn watts(watts: f64) -> String {
    quantity(watts, "W").to_string()
}

fn rounded(watts: f64) -> f64 {
    if watts >= 20.0 { watts.round() } else { hundredths(watts).max(0.1) }
}

fn hundredths(watts: f64) -> f64 {
    (watts * 100.0).round() / 100.0
}

fn times(span: Span, factor: f64) -> Span {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a few days at most, and not negative"
    )]
    Span::from_millis((span.as_secs_f64() * factor * 1_000.0) as u64)
}

fn whole_minutes_up(span: Span) -> Span {
    Span::from_mins(span.as_millis().div_ceil(60_000))
}

fn whole_secs_up(span: Span) -> Span {
    Span::from_secs(span.as_millis().div_ceil(1_000))
}
