//! The running job over a restart: in wall time, since moments mean something else afterwards.

use super::sums::Drawn;
use super::{Gap, Jobs, Mark, Off, OutletGone, Running, cause_of};
use idlegate_guard::time::{Moment, Now, Span, WallTime};
use idlegate_plan::kept::{KeptJob, KeptOff};

impl Jobs {
    pub(crate) fn kept(&self, now: Now) -> Option<KeptJob> {
        let running = self.running.as_ref()?;
        Some(KeptJob {
            begun_ms: running.begun.0,
            begin_unseen: running.begin_unseen,
            kept_ms: now.wall.0,
            worked_ms: running.hidden.map_or(running.worked, |(from, _)| from).wall.0,
            quiet_since_ms: running.quiet.filter(|_| running.hidden.is_none()).map(|quiet| quiet.wall.0),
            unseen_ms: running.unseen.0,
            millijoules: running.drawn.joules.map(|joules| whole(joules * 1e3)),
            milliwatts_max: whole(running.drawn.watts_max * 1e3),
            cost_millionths: running.drawn.cost.map(|cost| whole(cost * 1e6)),
            off: running.off.as_ref().map(|off| KeptOff {
                at_ms: off.at.wall.0,
                cause: off.cause.word().to_owned(),
                by: off.by.as_deref().map(str::to_owned),
                who: off.who.as_deref().map(str::to_owned),
            }),
        })
    }

    /// A former run left it, and nobody has seen it since. What has been seen in this run wins.
    pub(crate) fn recall(&mut self, kept: Option<&KeptJob>, now: Now) {
        let Some(kept) = kept.filter(|_| self.running.is_none()) else { return };
        let drawn = Drawn {
            joules: kept.millijoules.map(|millijoules| part(millijoules, 1e3)),
            watts_max: part(kept.milliwatts_max, 1e3),
            cost: kept.cost_millionths.map(|millionths| part(millionths, 1e6)),
        };
        // The clock may have been set back meanwhile; then as much has passed as it had run for.
        let into = |ms: i64| Span(u64::try_from(ms.saturating_sub(kept.begun_ms)).unwrap_or(0));
        let mark = |ms: i64| Mark { wall: WallTime(ms), into: into(ms), drawn };
        let worked = mark(kept.worked_ms);
        let quiet = kept.quiet_since_ms.map(mark);
        let from = quiet.unwrap_or(worked);
        self.running = Some(Running {
            begun: kept.begun(),
            begin_unseen: kept.begin_unseen,
            at_start: false,
            origin: now.moment,
            before: into(now.wall.0).max(from.into),
            worked,
            quiet,
            idle: false,
            gap: Some(Gap { from, since: into(kept.kept_ms).max(from.into), idle_since: None }),
            hidden: None,
            outlet_gone: Some(OutletGone { with_others: false }),
            unseen: Span(kept.unseen_ms),
            drawn,
            off: kept.off.as_ref().map(recalled_off),
            kept_at: now.moment,
        });
    }
}

fn recalled_off(kept: &KeptOff) -> Off {
    // No moment of this run is as early.
    let at = Now { moment: Moment(u64::MAX), wall: WallTime(kept.at_ms) };
    let text = |text: &Option<String>| text.as_deref().map(Into::into);
    Off { at, cause: cause_of(&kept.cause), by: text(&kept.by), who: text(&kept.who) }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "it saturates, and is never below zero"
)]
fn whole(value: f64) -> u64 {
    value.round() as u64
}

#[expect(clippy::cast_precision_loss, reason = "nothing draws 2^53 mJ in a job")]
fn part(whole: u64, of: f64) -> f64 {
    whole as f64 / of
}
