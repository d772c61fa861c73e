//! What the silences of a machine say of its settings: a dwell that is too short, or longer than it need be, and a draw
//! that has crept up to its limit. Proposals only: a shorter dwell is a person's decision.

use serde_json::Value;

use super::ledger::MachineSum;
use idlegate_guard::time::{Span, WallTime};
use idlegate_messages::Silence;
use idlegate_plan::text::{counted, minute_in_words, rfc3339};
use idlegate_recordings::calibrate::{JobWorth, dwell_for};

const MINUTE: Span = Span::secs(60);
/// The newest are told, the sums count all.
const NEAR_KEPT_MAX: usize = 100;
/// Of more jobs the newest are looked at.
const JOBS_MAX: usize = 10_000;
/// Of the quiet level: an idle draw above this is close to it.
const CREPT_PART: f64 = 0.9;

/// A machine's silences in a period.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Silences {
    /// After which it stayed idle.
    pub lasted: usize,
    /// Within jobs.
    pub pauses: u64,
    pub pause_longest: Span,
    /// The longest pause before each silence that was told, oldest first.
    longest_pauses: Vec<Span>,
    /// By the newest record that says one.
    pub dwell: Option<Span>,
    /// Oldest first.
    pub near_misses: Vec<NearMiss>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NearMiss {
    pub at: WallTime,
    pub dwell: Span,
    /// It was quiet for so long in all.
    pub quiet_for: Span,
    /// So long it counted as idle; nothing if it came near to that.
    pub idle_for: Option<Span>,
}

/// Something to do, with its reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    pub found: String,
    pub remedy: String,
}

impl Silences {
    pub(super) fn take(&mut self, at: WallTime, over: &Silence) {
        let span = |secs: f64| {
            let fits = (0.0..1e9).contains(&secs);
            fits.then(|| Span::from(std::time::Duration::from_secs_f64(secs)))
        };
        let dwell = span(over.dwell_s).filter(|dwell| *dwell > Span::ZERO);
        self.dwell = dwell.or(self.dwell);
        self.pauses += u64::from(over.pauses);
        let pause_longest = span(over.pause_longest_s).unwrap_or_default();
        self.pause_longest = self.pause_longest.max(pause_longest);
        if pause_longest > Span::ZERO {
            self.longest_pauses.push(pause_longest);
            let beyond = self.longest_pauses.len().saturating_sub(JOBS_MAX);
            self.longest_pauses.drain(..beyond);
        }
        let dwell = dwell.unwrap_or_default();
        let near = match &*over.end {
            "lasted" => {
                self.lasted += 1;
                None
            }
            "back-to-work" => over.idle_for_s.and_then(span).map(|idle_for| NearMiss {
                at,
                dwell,
                quiet_for: dwell + idle_for,
                idle_for: Some(idle_for),
            }),
            "nearly" => over.quiet_for_s.and_then(span).map(|quiet_for| NearMiss {
                at,
                dwell,
                quiet_for,
                idle_for: None,
            }),
            _ => None,
        };
        self.near_misses.extend(near);
        let beyond = self.near_misses.len().saturating_sub(NEAR_KEPT_MAX);
        self.near_misses.drain(..beyond);
    }

    /// Somebody has looked at what came before.
    pub(super) fn forget_until(&mut self, seen: WallTime) {
        self.near_misses.retain(|near| near.at > seen);
    }

    /// Those that the dwell has not been set beyond since.
    fn near_misses(&self) -> impl DoubleEndedIterator<Item = &NearMiss> {
        let settled = |near: &NearMiss| self.dwell.is_some_and(|is| is > near.dwell && is >= near.quiet_for);
        self.near_misses.iter().filter(move |near| !settled(near))
    }

    /// What would have outlasted every silence in which it was not finished, by a quarter, in whole minutes.
    fn longer(&self) -> Span {
        let longest = self.near_misses().map(|near| near.quiet_for).max().unwrap_or_default();
        minutes(Span(longest.0.saturating_mul(5) / 4)).max(minutes(longest + MINUTE))
    }

    /// What these silences have earned, in whole minutes, if that is well below what is set: by the price that
    /// calibration puts on a dwell.
    fn shorter(&self, worth: JobWorth) -> Option<Span> {
        let dwell = self.dwell?;
        if self.lasted == 0 || self.near_misses().next().is_some() {
            return None;
        }
        let near = self.near_misses.iter().map(|near| near.quiet_for);
        let pauses: Vec<Span> = self.longest_pauses.iter().copied().chain(near).collect();
        let would_do = minutes(dwell_for(&pauses, self.lasted, worth));
        (would_do.0.saturating_mul(3) <= dwell.0.saturating_mul(2)).then_some(would_do)
    }
}

fn minutes(span: Span) -> Span {
    Span(span.0.div_ceil(MINUTE.0) * MINUTE.0)
}

/// The most important first.
pub fn advice(sum: &MachineSum) -> Vec<Advice> {
    let mut all = Vec::new();
    let silences = &sum.silences;
    if let Some(newest) = silences.near_misses().next_back() {
        all.push(near_miss(newest, silences));
    } else if let Some(would_do) = silences.shorter(sum.job_worth.map(JobWorth).unwrap_or_default()) {
        let pauses = match silences.pauses {
            0 => "no pause was seen in its jobs".to_owned(),
            1 => format!("the one pause in its jobs was {} long", silences.pause_longest),
            count => format!("the longest of {count} pauses in its jobs was {}", silences.pause_longest),
        };
        let lasted = counted(silences.lasted, "silence");
        let machine = &sum.machine;
        all.push(Advice {
            found: format!("{lasted}: {would_do} would do instead of {}; {pauses}", silences.dwell.unwrap_or_default()),
            remedy: format!(
                "To shorten its dwell is for you to decide. First let idlegate calibrate --last 14d {machine} look whether it stays \
                 on after its jobs, then try the new rules: idlegate replay --last 14d --rules NEW."
            ),
        });
    }
    if let Some((idle, quiet)) =
        sum.idle_watts.zip(sum.quiet_watts).filter(|(idle, quiet)| *idle >= quiet * CREPT_PART)
    {
        all.push(Advice {
            found: format!("idle has crept to {idle:.0} W; quiet is below {quiet:.0} W"),
            remedy: "Once it draws more than that it no longer counts as idle. Find out why it draws more, or raise quiet_watts \
                     (and busy_watts, if need be)."
                .to_owned(),
        });
    }
    all
}

fn near_miss(newest: &NearMiss, silences: &Silences) -> Advice {
    let (told, when) = (rfc3339(newest.at), minute_in_words(newest.at));
    let times = match silences.near_misses().count() {
        1 => String::new(),
        count => format!(" (the newest of {count} near misses)"),
    };
    let dwell = silences.longer();
    match newest.idle_for {
        Some(idle_for) => Advice {
            found: format!(
                "on {when} it went back to work {idle_for} after it counted as idle{times}; an off in between would have \
                 ended its job"
            ),
            remedy: format!(
                "If that was a pause, set its dwell to {dwell}. If it was a new job, let go of it: resumptions_seen = \"{told}\" \
                 under [guard] in its file. Until then Idlegate holds it longer, unless hold_longer = false."
            ),
        },
        None => Advice {
            found: format!(
                "on {when} it was quiet for {} and went back to work just before it would have counted as idle, after \
                 {}{times}",
                newest.quiet_for, newest.dwell
            ),
            remedy: format!("Set its dwell to {dwell}."),
        },
    }
}

pub(super) fn json(silences: &Silences) -> Value {
    let near = silences.near_misses.iter().map(|near| {
        serde_json::json!({
            "at": rfc3339(near.at), "dwell_s": near.dwell.as_secs_f64(), "quiet_for_s": near.quiet_for.as_secs_f64(),
            "idle_for_s": near.idle_for.map(Span::as_secs_f64),
        })
    });
    serde_json::json!({
        "lasted": silences.lasted, "pauses": silences.pauses, "pause_longest_s": silences.pause_longest.as_secs_f64(),
        "dwell_s": silences.dwell.map(Span::as_secs_f64), "near_misses": near.collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests;
