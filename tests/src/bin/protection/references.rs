//! What a practitioner would have instead: a plain learnt dwell, as the moments between which it would let power be
//! cut.

use super::meters::{Day, secs};
use super::score::Stretches;

pub(crate) const PLAIN_DWELL: &str = "plain dwell: busy above the 99.5th percentile of its idle draw and 2 W; idle after one and a half times the longest \
     pause inside a job, but not before its floor; from the same days, always with their jobs marked";

pub(crate) struct PlainDwell {
    level_watts: f64,
    dwell_millis: i64,
}

impl PlainDwell {
    pub(crate) fn learnt(history: &[Day], floor_secs: u32) -> PlainDwell {
        let level_watts = usual_idle(history, 0.995) + 2.0;
        let jobs = history.iter().flat_map(|day| day.jobs.iter().map(move |job| (day, *job)));
        let longest = jobs.map(|(day, job)| day.longest_pause_secs(job, level_watts)).fold(0.0, f64::max);
        #[expect(clippy::cast_possible_truncation, reason = "less than a day")]
        let dwell_millis = ((1.5 * longest).max(f64::from(floor_secs)) * 1_000.0) as i64;
        PlainDwell { level_watts, dwell_millis }
    }

    pub(crate) fn settings(&self) -> String {
        format!("{:.1} W, {:.0} s", self.level_watts, secs(self.dwell_millis))
    }

    /// It does not mind how old the last reading is.
    pub(crate) fn lets_go(&self, day: &Day) -> Stretches {
        let mut stretches = Stretches::default();
        let (mut quiet_since, mut open) = (None, None);
        for (at, watts) in day.draws() {
            if watts > self.level_watts {
                quiet_since = None;
                if let Some(from) = open.take() {
                    stretches.0.push((from, at));
                }
                continue;
            }
            let since = *quiet_since.get_or_insert(at);
            if at - since >= self.dwell_millis {
                open.get_or_insert(at);
            }
        }
        stretches.0.extend(open.map(|from| (from, day.take.until().0)));
        stretches
    }
}

/// The draw outside of jobs that this part of the readings does not exceed.
fn usual_idle(history: &[Day], part: f64) -> f64 {
    let idle = |day: &'_ Day| {
        day.draws().filter(|(at, _)| !day.at_work(*at)).map(|(_, watts)| watts).collect::<Vec<_>>()
    };
    let mut idle: Vec<f64> = history.iter().flat_map(idle).collect();
    idle.sort_unstable_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "an index"
    )]
    let index = (part * idle.len().saturating_sub(1) as f64).round() as usize;
    idle.get(index).copied().unwrap_or(0.0)
}
