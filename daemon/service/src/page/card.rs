//! What is shown of one machine. The words are those of its status; what runs down is given as a time, and the page
//! counts.

use serde::Serialize;

use idlegate_guard::time::WallTime;
use idlegate_messages::effects::standing::{self, Stands};
use idlegate_messages::{MachineStatus, RunningJob};
use idlegate_plan::text::parse_time;

use super::plot::{SLOT_MILLIS, short};

/// An end that is told again and again differs by what lay between reading the clock and telling.
const SAME_MILLIS: u64 = 1_000;

#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub(super) struct Card {
    pub(super) name: String,
    pub(super) title: String,
    /// A word of [`Stands`].
    pub(super) stands: &'static str,
    pub(super) sentence: String,
    /// Since when it has stood so, and whether it may have done so for longer than we have been looking.
    pub(super) since: i64,
    pub(super) at_least: bool,
    /// When its job began, and whether it may have begun earlier.
    #[serde(skip)]
    pub(super) job: Option<(i64, bool)>,
    pub(super) watts: Option<f64>,
    pub(super) window_until: Option<i64>,
    /// It will be switched off then, unless somebody cancels.
    pub(super) off_at: Option<i64>,
    /// By whom an off was asked for that waits.
    pub(super) off_by: Option<String>,
    /// Not before this can it be idle.
    pub(super) clears_at: Option<i64>,
    /// What lasts: the lock, an order on its way.
    pub(super) notes: Vec<String>,
    pub(super) incidents: Vec<String>,
    pub(super) shadow: bool,
    /// A request by a schedule: at what time, by which, for what.
    pub(super) next: Option<(i64, String, String)>,
    /// What the detectors say, and what was read, a line each.
    pub(super) evidence: Vec<String>,
    /// Nothing has been said of it for a while.
    pub(super) quiet: bool,
}

impl Card {
    /// `before` is what was shown last.
    pub(super) fn of(status: &MachineStatus, now: WallTime, before: Option<&Card>) -> Card {
        let at = parse_time(&status.at).unwrap_or(now);
        let end =
            |left_s: Option<f64>, before: Option<i64>| steady(left_s.map(|left_s| later(at, left_s)), before);
        let deferral = status.deferral.as_ref();
        Card {
            name: status.machine.clone(),
            title: status.title.clone(),
            stands: standing::stands(status).word(),
            sentence: standing::sentence(status),
            watts: recent_watts(status).map(short),
            window_until: end(status.window_left_s, before.and_then(|card| card.window_until)),
            off_at: end(
                deferral.and_then(|deferral| deferral.acts_in_s),
                before.and_then(|card| card.off_at),
            ),
            off_by: deferral.map(|deferral| deferral.by.clone()),
            clears_at: end(status.clears_in_s, before.and_then(|card| card.clears_at)),
            job: status.job.as_ref().and_then(|job| Some((parse_time(&job.began).ok()?.0, !job.begin_seen))),
            notes: status.job.iter().filter_map(drawn).chain(standing::lasting(status)).collect(),
            shadow: status.shadow,
            next: status.next_schedule.as_ref().and_then(|next| {
                Some((parse_time(&next.at).ok()?.0, next.by.clone(), next.request.to_string()))
            }),
            evidence: evidence(status),
            ..Card::default()
        }
    }
}

/// What its job has drawn; the page itself counts for how long it goes on.
fn drawn(job: &RunningJob) -> Option<String> {
    Some(format!("{:.2} kWh in this job so far", job.joules? / 3.6e6))
}

/// Where the meter has been silent, nothing is drawn.
pub(super) fn recent_watts(status: &MachineStatus) -> Option<f64> {
    let recent = |age_s: f64| age_s * 1_000.0 < SLOT_MILLIS as f64;
    let draw = status.signals.iter().find(|signal| signal.unit == "W")?;
    standing::watts(status).filter(|_| draw.unchanged || draw.age_s.is_some_and(recent))
}

fn later(at: WallTime, left_s: f64) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "no wait is so long; it saturates")]
    let left = (left_s * 1_000.0) as i64;
    at.0.saturating_add(left)
}

fn steady(new: Option<i64>, before: Option<i64>) -> Option<i64> {
    match (new, before) {
        (Some(new), Some(before)) if new.abs_diff(before) < SAME_MILLIS => Some(before),
        _ => new,
    }
}

fn evidence(status: &MachineStatus) -> Vec<String> {
    let words = status.detectors.iter().map(|finding| {
        let does = if finding.role == "warn" { ", only warns" } else { "" };
        format!("{}{does}: {}, {}", finding.detector, finding.state, finding.reason)
    });
    let read = status.signals.iter().map(|signal| {
        let value = match &signal.value {
            None => "nothing heard yet".to_owned(),
            Some(value) => match value.as_f64() {
                Some(number) if signal.unit.is_empty() => short(number).to_string(),
                Some(number) => format!("{} {}", short(number), unit(&signal.unit)),
                None => format!("\"{}\"", text_of(value)),
            },
        };
        format!("{}: {value}", signal.signal)
    });
    words.chain(read).collect()
}

fn text_of(value: &idlegate_messages::Quantity) -> &str {
    match value {
        idlegate_messages::Quantity::Text(text) => text,
        idlegate_messages::Quantity::Number(_) => "",
    }
}

/// As people write it.
fn unit(code: &str) -> &str {
    match code {
        "Cel" => "°C",
        "%RH" => "% RH",
        other => other,
    }
}

/// Since when a machine has stood as it does.
#[derive(Clone, Copy, Debug)]
pub(super) struct Since {
    stands: Stands,
    at: WallTime,
    at_least: bool,
}

impl Since {
    /// What is known for the first time may have been so for long; what nobody knew has begun when nobody knew any
    /// more.
    pub(super) fn next(before: Option<Since>, stands: Stands, now: WallTime) -> Since {
        match before {
            Some(before) if before.stands == stands => before,
            Some(Since { stands: Stands::NotKnown, at_least, .. }) => Since { stands, at: now, at_least },
            Some(_) => Since { stands, at: now, at_least: false },
            None => Since { stands, at: now, at_least: true },
        }
    }

    pub(super) fn show(self, card: &mut Card) {
        // A pause is no end of a job, and a start of ours is no begin of one.
        let job = card.job.filter(|_| self.stands == Stands::Working);
        (card.since, card.at_least) = job.unwrap_or((self.at.0, self.at_least));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use idlegate_messages::Signal;

    fn status(at: &str, left_s: f64) -> MachineStatus {
        MachineStatus { at: at.to_owned(), window_left_s: Some(left_s), ..MachineStatus::default() }
    }

    #[test]
    fn an_end_stays_where_it_is_until_it_is_another() {
        let now = WallTime(0);
        let first = Card::of(&status("1970-01-01T00:00:10.000Z", 9.0), now, None);
        assert_eq!(first.window_until, Some(19_000));
        let again = Card::of(&status("1970-01-01T00:00:11.000Z", 8.004), now, Some(&first));
        assert_eq!(again.window_until, Some(19_000));
        let renewed = Card::of(&status("1970-01-01T00:00:12.000Z", 10.0), now, Some(&again));
        assert_eq!(renewed.window_until, Some(22_000));
    }

    #[test]
    fn what_was_found_at_the_start_may_have_been_so_for_longer() {
        let found = Since::next(None, Stands::NotKnown, WallTime(1));
        let busy = Since::next(Some(found), Stands::Working, WallTime(2));
        assert_eq!((busy.at, busy.at_least), (WallTime(2), true));
        let idle = Since::next(Some(busy), Stands::Idle, WallTime(3));
        assert_eq!((idle.at, idle.at_least), (WallTime(3), false));
        assert_eq!(Since::next(Some(idle), Stands::Idle, WallTime(9)).at, WallTime(3));
    }

    #[test]
    fn a_meter_that_has_fallen_silent_draws_no_line() {
        let draw = |age_s, unchanged| MachineStatus {
            signals: vec![Signal {
                age_s,
                unchanged,
                unit: "W".to_owned(),
                value: idlegate_messages::Quantity::number(120.04),
                ..Signal::default()
            }],
            ..MachineStatus::default()
        };
        assert_eq!(recent_watts(&draw(Some(3.0), false)), Some(120.04));
        assert_eq!(recent_watts(&draw(Some(300.0), false)), None);
        assert_eq!(recent_watts(&draw(None, false)), None);
        assert_eq!(recent_watts(&draw(Some(300.0), true)), Some(120.04));
    }
}
